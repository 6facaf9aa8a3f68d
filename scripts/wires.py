#!/usr/bin/env python3
"""The same plan over several wires: are the verdicts the same?

    scripts/wires.py [SUBJECT…] [--wire WIRE]… [--case NAME]… [--at-once N] [--json]      whole plans: five minutes each

SUBJECT, a program in fixtures/: host (by default), wrong-host, changer.

    pty       pseudo-terminals of the bench's own
    socat     a pair of pseudo-terminals for each link, joined by socat; the bench opens its end as a serial device
    rfc2217   such a pair, and pyserial's side of a server for RFC 2217 at the bench's end of it
    tcp       such a pair, and socat listening on the network at the bench's end of it

All wires are played at once, if not told otherwise. What carries bytes here asks the system to run before other work,
as a cable would. A verdict may be `unsure` on a wire that is too slow to prove it, or on a busy computer; if two wires
give two other verdicts, that is told, and the status is 1. Needs socat. No real hardware is in any of them.
"""

import argparse
import contextlib
import json
import os
import select
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import serial
import serial.rfc2217

ROOT = Path(__file__).resolve().parent.parent
FIXTURES = ROOT / "fixtures"
PATIENCE = 10.0  # seconds for socat to begin
LUMP = 4096


class Subject(NamedTuple):
    """`links`: by what kind of port the bench reaches each."""

    seat: str
    links: dict[str, str]
    words: tuple[str, ...]


SUBJECTS = {
    "host": Subject("host", {"kit": "serial", "panel": "serial"}, ("sample_host/host.py",)),
    # Its fault shows in every case: KIT-SEQ.
    "wrong-host": Subject("host", {"kit": "serial", "panel": "serial"}, ("sample_host/faulty.py", "skips-numbers")),
    "changer": Subject("changer", {"bus": "pair"}, ("sample_devices/changer.py",)),
}


class Ends(NamedTuple):
    """WHERE the bench finds a link, and the path that the program opens."""

    bench: str
    program: str


# ---- wires, each one for one link


@contextlib.contextmanager
def socat(folder: Path, kind: str) -> Iterator[Ends]:
    """Two pseudo-terminals joined."""
    ours, theirs = folder / "ours", folder / "theirs"
    with _running("socat", *(f"pty,raw,echo=0,link={path}" for path in (ours, theirs))):
        _until(lambda: ours.exists() and theirs.exists(), "socat made no pseudo-terminals")
        with theirs.open("rb", 0):  # socat takes a terminal that nobody has open for one that has hung up
            yield Ends(f"{kind}:{ours}", str(theirs))


@contextlib.contextmanager
def tcp(folder: Path, kind: str) -> Iterator[Ends]:
    """The bench connects; each case anew."""
    with socat(folder, "") as ends, socket.create_server(("127.0.0.1", 0)) as found:
        number = found.getsockname()[1]
        found.close()
        listen = f"tcp-listen:{number},bind=127.0.0.1,reuseaddr,nodelay,fork"
        # For half a second after a hang-up socat would still read, and throw away, what is meant for the next who calls.
        with _running("socat", "-t", "0", listen, f"file:{ends.bench[1:]},raw,echo=0"):
            _until(lambda: _listens(number), "socat does not listen")
            yield Ends(f"tcp:127.0.0.1:{number}", ends.program)


@contextlib.contextmanager
def rfc2217(folder: Path, kind: str) -> Iterator[Ends]:
    """pyserial's `PortManager`, one client at a time."""
    with socat(folder, "") as ends, Lined(ends.bench[1:], timeout=0) as port:
        with socket.create_server(("127.0.0.1", 0)) as listener:
            ended = threading.Event()
            thread = threading.Thread(target=_serve, args=(listener, port, ended), daemon=True)
            thread.start()
            try:
                yield Ends(f"{kind}:rfc2217://127.0.0.1:{listener.getsockname()[1]}", ends.program)
            finally:
                ended.set()
                thread.join()


WIRES: dict[str, Callable | None] = {"pty": None, "socat": socat, "rfc2217": rfc2217, "tcp": tcp}


class Lined(serial.Serial):
    """A pseudo-terminal has no modem lines; the server handles them."""

    cts = dsr = cd = dtr = rts = True
    ri = False


def hurry(pid: int = 0) -> None:
    """For a program that carries bytes, or the calling thread: no cable waits for a processor."""
    with contextlib.suppress(AttributeError, OSError):  # not every system, not every user
        os.sched_setscheduler(pid, os.SCHED_RR, os.sched_param(1))


def _serve(listener: socket.socket, port: serial.Serial, ended: threading.Event) -> None:
    hurry()
    listener.settimeout(0.1)
    while not ended.is_set():
        with contextlib.suppress(OSError):  # nobody came, or whoever was there left
            _talk(listener.accept()[0], port, ended)


def _talk(connection: socket.socket, port: serial.Serial, ended: threading.Event) -> None:
    connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    manager = serial.rfc2217.PortManager(port, Writer(connection))
    with connection:
        while not ended.is_set():
            ready = select.select([port, connection], [], [], 0.1)[0]
            if port in ready:
                connection.sendall(b"".join(manager.escape(port.read(LUMP))))
            if connection in ready:
                if not (data := connection.recv(LUMP)):
                    return
                port.write(b"".join(manager.filter(data)))


class Writer:
    """What `PortManager` answers by."""

    def __init__(self, connection: socket.socket):
        self.write = connection.sendall


@contextlib.contextmanager
def _running(*command: str) -> Iterator[None]:
    process = subprocess.Popen(command)
    hurry(process.pid)
    try:
        yield
    finally:
        process.terminate()
        process.wait()


def _listens(number: int) -> bool:
    """State 0A of Linux's /proc/net/tcp."""
    rows = [line.split() for line in Path("/proc/net/tcp").read_text().splitlines()[1:]]
    return any(row[1].endswith(f":{number:04X}") and row[3] == "0A" for row in rows)


def _until(done: Callable[[], bool], otherwise: str) -> None:
    until = time.monotonic() + PATIENCE
    while not done():
        if time.monotonic() > until:
            raise TimeoutError(otherwise)
        time.sleep(0.02)


# ---- the same over all of them


def played(name: str, wires: list[str], cases: list[str]) -> dict[str, dict[str, dict]]:
    """{wire: {"case rule seat": verdict}}, all at once."""
    subject = SUBJECTS[name]
    with contextlib.ExitStack() as after:
        begun = {wire: _begin(subject, wire, cases, after) for wire in wires}
        told = {wire: process.communicate() for wire, process in begun.items()}
    for wire, process in begun.items():
        if process.returncode not in (0, 1, 3):
            sys.exit(f"{wire}: {told[wire][1][-2000:]}")
    return {
        wire: {f"{v['case']} {v['rule']} {v['judged']}": v for v in json.loads(out)["verdicts"]}
        for wire, (out, _) in told.items()
    }


def _begin(subject: Subject, wire: str, cases: list[str], after: contextlib.ExitStack) -> subprocess.Popen:
    words, ports = [sys.executable, *subject.words], []
    words[1] = str(FIXTURES / words[1])
    for link, kind in subject.links.items():
        if WIRES[wire] is None:
            words.append("{%s}" % link)
            continue
        folder = Path(after.enter_context(tempfile.TemporaryDirectory()))
        ends = after.enter_context(WIRES[wire](folder, kind))
        words.append(ends.program)
        ports += ["--port", f"{link}={ends.bench}"]
    chosen = [word for case in cases for word in ("--case", case)]
    command = [sys.executable, "-m", "benchsim", "check", "--test", subject.seat, *ports, "--exec", " ".join(words)]
    return subprocess.Popen([*command, *chosen, "--json"], cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


def outcomes(found: dict[str, dict[str, dict]]) -> dict[str, dict[str, str]]:
    """{wire: {"case rule seat": outcome}}."""
    return {wire: {key: verdict["outcome"] for key, verdict in verdicts.items()} for wire, verdicts in found.items()}


def failed(found: dict[str, dict[str, dict]]) -> list[str]:
    """Each failed verdict with its worst value and where."""
    return [
        f"{key}: {verdict['worst']} {verdict['unit']}, limit {verdict['limit']} ({wire}; {verdict['at']})"
        for wire, verdicts in found.items()
        for key, verdict in verdicts.items()
        if verdict["outcome"] == "fail"
    ]


def differences(found: dict[str, dict[str, str]]) -> list[str]:
    """Verdicts that two wires do not agree on; `unsure` agrees with any."""
    told = []
    for key in sorted(set().union(*found.values())):
        by_wire = {wire: verdicts.get(key, "missing") for wire, verdicts in found.items()}
        if len(set(by_wire.values()) - {"unsure"}) > 1:
            told.append(f"{key}: " + ", ".join(f"{outcome} ({wire})" for wire, outcome in by_wire.items()))
    return told


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("subjects", metavar="SUBJECT", nargs="*", help=f"of {', '.join(SUBJECTS)}; host by default")
    parser.add_argument("--wire", action="append", choices=list(WIRES), help="one of these only; may be given again")
    parser.add_argument("--case", action="append", default=[], metavar="NAME", help="of the plan; may be given again")
    parser.add_argument("--at-once", metavar="N", type=int, default=len(WIRES), help="fewer wires, for a computer with other work")
    parser.add_argument("--json", action="store_true")
    wanted = parser.parse_args()
    if unknown := [name for name in wanted.subjects if name not in SUBJECTS]:
        parser.error(f"{unknown[0]}: expected one of {', '.join(SUBJECTS)}")
    if wanted.at_once < 1:
        parser.error(f"--at-once {wanted.at_once}: expected at least 1")
    if shutil.which("socat") is None:
        parser.error("socat is not installed, expected it on PATH (Debian package socat)")
    document = {}
    for name in wanted.subjects or ["host"]:
        wires = wanted.wire or list(WIRES)
        turns = [wires[i : i + wanted.at_once] for i in range(0, len(wires), wanted.at_once)]
        found = {wire: verdicts for turn in turns for wire, verdicts in played(name, turn, wanted.case).items()}
        told = outcomes(found)
        document[name] = {"verdicts": told, "differences": differences(told), "failed": failed(found)}
        if not wanted.json:
            for wire, verdicts in told.items():
                counts = Counter(verdicts.values())
                print(f"{name:<10} {wire:<8} {', '.join(f'{count} {outcome}' for outcome, count in sorted(counts.items()))}")
            print(*document[name]["failed"], sep="\n", end="\n" if document[name]["failed"] else "")
            print(*document[name]["differences"] or [f"{name}: no two wires differ"], sep="\n")
    if wanted.json:
        print(json.dumps(document, indent=2))
    sys.exit(any(each["differences"] for each in document.values()))


if __name__ == "__main__":
    main()
