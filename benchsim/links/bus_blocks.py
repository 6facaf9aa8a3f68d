"""Blocks of the payment bus from both conductors: who was spoken to, who may answer, what awaits a reply.

No clock, no port, no file here. What a block is on each conductor stands in `bus_halves`.
"""

from benchsim.events import BREAK, MODE, Burst
from benchsim.links.bus_halves import FAULTS, PLAIN, Block, DeviceHalf, Half, MasterHalf, timed
from benchsim.schema.bus import COMMAND_BITS, Mode
from benchsim.schema.fields import Misfit

__all__ = ["FAULTS", "Block", "BlockReader"]


class BlockReader:
    """Assembles the blocks of both directions from bursts of any size, fed in order of start.

    It keeps who was spoken to and how wide a device's amounts are. When it has missed that, a command
    with 16- and 32-bit forms still ends rightly, if its checksum is.

    `doubt(start, end)`: ticks by which a time between two words may be off, where words come through a port:
    only a silence that is sure ends a block.
    """

    def __init__(self, book, doubt=None):
        self.book, self.bus, self._doubt = book, book.bus, doubt
        self.modes: dict[int, Mode] = {}
        self.address: int | None = None  # of the device last spoken to
        self._asked = self._offered = False  # a device may answer; its data awaits a reply
        self._command: Block | None = None  # the last one
        self._silence = book.bus.limits["block_end"].high
        self._torn: int | None = None  # end of a device's words when a break came: what follows is their rest
        self._master, self._device = MasterHalf(book, self.modes), DeviceHalf(book)

    @property
    def deadline(self) -> int | None:
        """When silence will end a block (`expire`), or None."""
        ends = [half.end + half.patience for half in (self._master, self._device) if half.open]
        if not ends or self._doubt is None:
            return min(ends) if ends else None
        return min(end + self._doubt(end, end) for end in ends)

    def expire(self, now: int) -> list[Block]:
        """The line was silent until `now`: blocks that this ends, in order of start."""
        return [self._finish(half) for half in self._silent(now)]

    def close(self) -> list[Block]:
        """The end of all: what is under way could still go on, so it is cut."""
        blocks = [self._finish(h, not h.could_end()) for h in self._in_order() if h.open]
        return blocks

    def feed(self, burst: Burst) -> list[Block]:
        """Words of either direction. Returns the blocks that they complete, in order of completion."""
        if burst.words[0] & BREAK:
            return self._break(burst)
        half = self._master if burst.out else self._device
        if not (self._master.open or self._device.open) and half.alone(burst):
            return [self._heard(half.whole(burst, self.address))]
        blocks: list[Block] = []
        for word, start, end in timed(burst):
            self._word(half, word, start, end, burst.sender, blocks)
        return blocks

    def _word(self, half: Half, word: int, start: int, end: int, sender: str, blocks: list[Block]) -> None:
        if self._master.open or self._device.open:
            blocks += [self._finish(silent) for silent in self._silent(start)]
            other = self._device if half is self._master else self._master
            if other.open and not half.open and start >= other.end and self._yields(other, start):
                blocks.append(self._finish(other))
            if half.open and half.begins(word, start):
                blocks.append(self._finish(half))
        half.word(word, start, end, sender)
        if half.ended():
            blocks.append(self._finish(half))

    def _in_order(self) -> list[Half]:
        if self._device.open and self._device.start < self._master.start:
            return [self._device, self._master]
        return [self._master, self._device]

    def _silent(self, now: int) -> list[Half]:
        return [half for half in self._in_order() if half.open and self._is_over(half, now)]

    def _yields(self, other: Half, start: int) -> bool:
        """Is the other side's block over, now that this one speaks? After a silence, however doubtful, it is."""
        return other.could_end() or (self._doubt is not None and start - other.end >= other.patience)

    def _is_over(self, half: Half, now: int) -> bool:
        silence = now - half.end
        if self._doubt is not None and silence >= half.patience:
            silence -= self._doubt(half.end, now)
        return silence >= half.patience

    def _finish(self, half: Half, cut: bool = False) -> Block:
        return self._heard(half.take(self.address, cut))

    def _heard(self, block: Block) -> Block:
        return self._heard_master(block) if block.out else self._heard_device(block)

    def _heard_master(self, block: Block) -> Block:
        if self._offered and len(block.words) == 1 and block.data[0] in self._master.replies:
            block = block._replace(kind="reply", broken=("mode",) if block.words[0] & MODE else block.broken)
        if block.kind == "command":
            self.address = block.data[0] & ~COMMAND_BITS
            self._asked, self._offered, self._command = True, False, block
            return block._replace(address=self.address)
        if block.kind == "reply":
            if not self._offered:
                self._master.after_reply = False
                return block._replace(kind="stray")
            self._asked, self._offered = block.data[0] == self.bus.ret, False
        return block

    def _heard_device(self, block: Block) -> Block:
        torn, self._torn = self._torn, None
        if torn is not None and block.start - torn < self._silence + (self._doubt(torn, block.start) if self._doubt else 0):
            broken = tuple(fault for fault in FAULTS if fault in block.broken or fault == "cut")
            return block._replace(kind="stray", broken=broken)
        if not self._asked:
            return block._replace(kind="stray")
        self._asked, self._offered = False, block.kind == "answer" or bool(block.broken)
        if self._offered:  # a reply may follow, however soon: a port may deliver the whole answer in no time
            self._master.after_reply = True
        if block.kind == "ack" and self._command.good:
            self._note_width(self._command)
        return block

    def _note_width(self, command: Block) -> None:
        """RESET and feature enable change how wide a device's amounts are."""
        device = self.book.device_at(command.data[0])
        if device is None or device.wide_feature is None:
            return
        try:
            name, fields, _ = device.parse_command(command.body, PLAIN)
        except Misfit:
            return
        if name == "RESET":
            self.modes.pop(self.address, None)
        elif name == "FEATURES":
            self.modes[self.address] = device.mode(max(device.levels), fields["features"])

    def _break(self, burst: Burst) -> list[Block]:
        """A break ends all; one of two word times or less is only a framing error."""
        torn = self._device.end if burst.out and self._device.open else None
        blocks = [self._finish(half, cut=True) for half in self._in_order() if half.open]
        self._torn = torn
        short = burst.end - burst.start <= 2 * self.bus.word.ticks
        kind, broken = ("stray", ("framing",)) if short else ("break", ())
        if burst.out and not short:
            self.address, self._asked, self._offered = None, False, False
            self.modes.clear()
        data = bytes(len(burst.words))
        blocks.append(Block(burst.start, burst.end, burst.out, burst.sender, burst.words, data, kind, broken, 0,
                            self.address))  # fmt: skip
        return blocks
