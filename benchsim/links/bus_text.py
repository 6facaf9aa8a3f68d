"""Blocks of the payment bus in words, each understood by what was asked before it."""

from benchsim.events import BREAK
from benchsim.links.bus_halves import Block
from benchsim.schema.bus import DeviceSpec, Message, Mode
from benchsim.schema.fields import Misfit
from benchsim.schema.wording import said


class BusText:
    """Gets the blocks of one bus in their order and says what each is.

    It does not keep a device's level and features: an answer is read by the highest level whose layout fits,
    with 16-bit money before 32-bit.
    """

    def __init__(self, book):
        self._book = book
        self._asked: tuple[DeviceSpec, str] | None = None  # the command that an answer belongs to

    def of(self, block: Block) -> str:
        """Kind, seat, words and meaning: "answer changer 052 007 159 = COIN DEPOSITED: route 1, coin 2, tube 7"."""
        words = " ".join(f"{word & 0x1FF:03X}" for word in block.words if not word & BREAK)
        seat = self._book.seat_at(block.address) if block.address is not None else None
        meaning = self._meaning(block)
        parts = (block.kind, seat, words, meaning and f"= {meaning}")
        note = f" [broken: {', '.join(block.broken)}]" if block.broken else ""
        return " ".join(part for part in parts if part) + note

    def _meaning(self, block: Block) -> str:
        if block.kind == "command":
            return self._command(block)
        if block.kind == "reply":
            return self._reply(block)
        if block.kind == "answer" and block.good and self._asked:
            return self._answer(block)
        return ""

    def _command(self, block: Block) -> str:
        device, self._asked = self._book.device_at(block.address), None
        if device is None or not block.good:
            return ""
        message, why = by_any_mode(device, lambda mode: device.parse_command(block.body, mode))
        if message is None:
            return f"({why})"
        self._asked = device, message.name
        return said(message)

    def _reply(self, block: Block) -> str:
        bus = self._book.bus
        return {bus.ack: "ACK", bus.nak: "NAK", bus.ret: "RET"}.get(block.data[0], "")

    def _answer(self, block: Block) -> str:
        device, name = self._asked
        messages, why = by_any_mode(device, lambda mode: device.parse_answer(name, block.body, mode))
        return f"({why})" if messages is None else "; ".join(said(message) for message in messages)


def by_any_mode(device: DeviceSpec, parse) -> tuple[Message | list[Message] | None, str]:
    """What the first mode that fits makes of it, or why none does."""
    why = ""
    for wide in (False, True) if device.wide_feature is not None else (False,):
        for level in sorted(device.levels, reverse=True):
            try:
                return parse(Mode(level, wide << (device.wide_feature or 0), wide)), ""
            except Misfit as misfit:
                why = why or str(misfit)
    return None, why
