"""WHERE: what a person writes to say where a real thing is.

    pty[:PATH]         a pseudo-terminal that a program opens; PATH: a link to it     eight bits
    pair-pty[:PATH]    the same for two bytes a word                                  nine bits
    serial:DEVICE      a serial adapter, or a URL that pyserial knows                 eight bits
    pair:DEVICE        a microcontroller adapter that speaks two bytes a word         nine bits
    parity:DEVICE      a serial adapter; the ninth bit by mark and space parity       nine bits
    tcp:HOST:PORT      a peer that listens there; two bytes a word if it has nine bits
"""

from collections.abc import Callable
from typing import NamedTuple

from benchsim.errors import UsageError
from benchsim.lines import Line
from benchsim.ports.base import Port, Wire
from benchsim.ports.pair_port import PairPort, PairPtyPort
from benchsim.ports.pty import PtyPort
from benchsim.ports.tcp import TcpWire
from benchsim.ports.uart_port import UartPort
from benchsim.schema.word import WordFormat

NINE = 9


def open_port(where: str, line: Line, seat: str, out: bool, word: WordFormat) -> Port:
    """Seat what is at `where` on `line`. `word`: of the link. Needs a running loop in real time.

    `out`: it takes the asking side. UsageError in one line for what cannot be opened.
    """
    kind, _, rest = where.partition(":")
    if kind not in _KINDS:
        raise UsageError(f"{where}: expected one of {', '.join(known.usage for known in _KINDS.values())}")
    known = _KINDS[kind]
    if word.data_bits not in known.bits:
        fits = ", ".join(other.usage for other in _KINDS.values() if word.data_bits in other.bits)
        raise UsageError(f"{line.name}={where}: the words of this link have {word.data_bits} bits, expected {fits}")
    if not rest and known.needs:
        raise UsageError(f"{line.name}={where}: expected {known.usage}")
    return known.make(line, seat, out, rest, word)


def default_where(word: WordFormat) -> str:
    """What a program gets in place of {link}."""
    return "pair-pty" if word.data_bits == NINE else "pty"


def own_loop(where: str) -> bool:
    """Can we sit at its other end ourselves?"""
    return where.partition(":")[0] in ("pty", "pair-pty")


def device_of(where: str) -> str | None:
    """The path of the device that it names, None if it names something else."""
    kind, _, rest = where.partition(":")
    return rest if kind in ("serial", "pair", "parity") and "://" not in rest else None


def _pty(line: Line, seat: str, out: bool, path: str, word: WordFormat) -> Port:
    return PtyPort(line, seat, out, path)


def _pair_pty(line: Line, seat: str, out: bool, path: str, word: WordFormat) -> Port:
    return PairPtyPort(line, seat, out, path)


def _tcp(line: Line, seat: str, out: bool, address: str, word: WordFormat) -> Port:
    host, _, port = address.rpartition(":")
    if not host or not port.isdecimal() or not 0 < int(port) < 65536:
        raise UsageError(f"{line.name}=tcp:{address}: expected tcp:HOST:PORT, such as tcp:127.0.0.1:4000")
    wire = TcpWire(host.strip("[]"), int(port))
    return (PairPort if word.data_bits == NINE else Port)(line, seat, out, wire)


def _serial(line: Line, seat: str, out: bool, device: str, word: WordFormat) -> Port:
    return UartPort(line, seat, out, _device(device, word))


def _pair(line: Line, seat: str, out: bool, device: str, word: WordFormat) -> Port:
    return PairPort(line, seat, out, _device(device, None))


def _parity(line: Line, seat: str, out: bool, device: str, word: WordFormat) -> Port:
    try:
        from benchsim.ports.parity_port import ParityPort, ParityWire
    except ImportError:
        raise UsageError(f"parity:{device}: this system cannot mark parity on input; use pair:DEVICE") from None
    if "://" in device:
        raise UsageError(f"parity:{device}: expected a device of this computer; over a network use tcp:HOST:PORT")
    return ParityPort(line, seat, out, ParityWire(device, word))


def _device(device: str, word: WordFormat | None) -> Wire:
    from benchsim.ports.url_wire import UrlWire  # a library that most benches never need

    if "://" in device:
        return UrlWire(device, word)
    try:
        from benchsim.ports.serial_wire import SerialWire
    except ImportError:  # no descriptors to watch on this system
        return UrlWire(device, word)
    return SerialWire(device, word)


class _Kind(NamedTuple):
    usage: str
    bits: tuple[int, ...]  # data bits of the links that it can carry
    needs: bool  # what follows the colon
    make: Callable[[Line, str, bool, str, WordFormat], Port]


_KINDS = {
    "pty": _Kind("pty[:PATH]", (7, 8), False, _pty),
    "pair-pty": _Kind("pair-pty[:PATH]", (9,), False, _pair_pty),
    "serial": _Kind("serial:DEVICE", (7, 8), True, _serial),
    "pair": _Kind("pair:DEVICE", (9,), True, _pair),
    "parity": _Kind("parity:DEVICE", (9,), True, _parity),
    "tcp": _Kind("tcp:HOST:PORT", (7, 8, 9), True, _tcp),
}
