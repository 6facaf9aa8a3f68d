"""Blocks of the payment bus: words with times in, blocks out. No clock, no port, no file.

    master   10B 00B            mode bit on the address word; ends at its command's length
    device   052 007 159        mode bit on the last word, which ends it
    master   000                ACK, RET or NAK: one word without mode bit

Silence ends what has no other end: 5 ms any block, 2 ms one that could be whole (MDB/ICP 4.3 §2; the
two times are common practice). A flipped mode bit does not hide a block: a device's block goes on past
a mode bit while its checksum is wrong and words follow at once, a command may lack its mode bit if its
address is a device's. What was wrong stands in `broken`.
"""

from collections.abc import Iterator
from functools import lru_cache
from typing import NamedTuple

from benchsim.events import BREAK, FRAMING, MODE, Burst
from benchsim.schema.bus import COMMAND_BITS, Mode, checksum
from benchsim.schema.fields import Misfit

_PLAIN = Mode()
FAULTS = ("framing", "mode", "length", "gap", "sum", "cut")  # all that can be broken, in order of telling
ENDLESS = 256  # words; a block that has not ended by then is ended


class Block(NamedTuple):
    """One block as it was on the line. `broken` is empty for a good one."""

    start: int  # ticks
    end: int
    out: bool  # from the master
    sender: str
    words: tuple[int, ...]
    data: bytes  # all words' low eight bits, checksum included
    kind: str  # "command", "reply" (master's), "answer", "ack", "nak" (device's), "break", "stray"
    broken: tuple[str, ...]  # of FAULTS
    worst_gap: int  # ticks of idle line between two words of it
    address: int | None  # of the device spoken to (command) or last spoken to (all others)

    @property
    def good(self) -> bool:
        """Nothing is broken that would keep a receiver from taking it (a long gap does not)."""
        return not self.broken or self.broken == ("gap",)

    @property
    def body(self) -> bytes:
        """Data without the checksum."""
        return self.data[:-1]


class _Half:
    """One conductor: collects words, and knows when they are a block."""

    out: bool

    def __init__(self, book, modes: dict[int, Mode]):
        self.bus, self.book, self.modes = book.bus, book, modes
        limits = book.bus.limits
        self._gap = limits["gap"].high
        self._silence, self._idle = limits["block_end"].high, limits["unknown_end"].high
        self._words: list[int] = []
        self._worst = self.start = 0
        self.end = -self._silence
        self._sender = ""
        self._alone = lru_cache(4096)(self._is_alone)

    @property
    def open(self) -> bool:
        """Is a block under way?"""
        return bool(self._words)

    @property
    def patience(self) -> int:
        """Silence that ends the block under way."""
        return self._idle if self.could_end() else self._silence

    def could_end(self) -> bool:
        """The block under way may be whole, only silence can tell."""
        raise NotImplementedError

    def ended(self) -> bool:
        """The block under way is whole."""
        raise NotImplementedError

    def begins(self, word: int, start: int) -> bool:
        """This word begins a new block, whatever is under way."""
        raise NotImplementedError

    def word(self, word: int, start: int, end: int, sender: str) -> None:
        """One more word of the block under way, or the first of a new one."""
        if not self._words:
            self.start, self._worst, self._sender = start, 0, sender
        else:
            self._worst = max(self._worst, start - self.end)
        self.end = end
        self._words.append(word)

    def take(self, address: int | None, cut: bool = False) -> Block:
        """The block under way, whole or not; the next word begins a new one."""
        words, self._words = tuple(self._words), []
        kind, data, broken = self.told(words)
        if cut or self._worst > self._gap:
            extra = (("gap",) if self._worst > self._gap else ()) + (("cut",) if cut else ())
            broken = tuple(fault for fault in FAULTS if fault in broken or fault in extra)
        return Block(self.start, self.end, self.out, self._sender, words, data, kind, broken, self._worst, address)

    def forget(self) -> None:
        """Drop what is under way."""
        self._words = []

    def feed(self, burst: Burst) -> list[Block]:
        """Words of this conductor alone, as one side hears them. Returns the blocks they complete."""
        if self.alone(burst):
            return [self.whole(burst, None)]
        blocks = []
        for word, start, end in timed(burst):
            if self._words and (start - self.end >= self.patience or self.begins(word, start)):
                blocks.append(self.take(None))
            self.word(word, start, end, burst.sender)
            if self.ended():
                blocks.append(self.take(None))
        return blocks

    def classify(self, words: tuple[int, ...]) -> tuple[str, bytes, tuple[str, ...]]:
        """Kind, data and what is broken, of a whole block."""
        raise NotImplementedError

    def told(self, words: tuple[int, ...]) -> tuple[str, bytes, tuple[str, ...]]:
        """`classify`, minding what came before."""
        return self.classify(words)

    def alone(self, burst: Burst) -> bool:
        """A burst is exactly one block (so it need not be looked at word by word)."""
        words = burst.words
        if burst.gaps or self._words or burst.start - self.end <= self._gap:
            return False
        return self._alone(words, self.modes.get(words[0] & ~COMMAND_BITS & 0xFF, _PLAIN))

    def _is_alone(self, words: tuple[int, ...], _mode: Mode) -> bool:
        before, self.end = self.end, -self._silence
        try:
            for i, word in enumerate(words):
                self.word(word, 0, 0, "")
                if self.ended():
                    return i == len(words) - 1
            return False
        finally:
            self._words, self.end = [], before

    def whole(self, burst: Burst, address: int | None) -> Block:
        """The block that a burst is, if its words are `alone`."""
        kind, data, broken = self.told(burst.words)
        self.end = burst.end
        return Block(burst.start, burst.end, self.out, burst.sender, burst.words, data, kind, broken, 0, address)


class MasterHalf(_Half):
    """The master's conductor."""

    out = True

    def __init__(self, book, modes: dict[int, Mode]):
        super().__init__(book, modes)
        self.classify = lru_cache(4096)(self._classify)
        self.replies = (self.bus.ack, self.bus.ret, self.bus.nak)
        self._headless = False  # words right behind a block, without a mode bit of their own
        self.after_reply = False

    def begins(self, word: int, start: int) -> bool:
        """A mode bit after a pause begins a new block, whatever was under way."""
        return bool(word & MODE) and (self._headless or start - self.end > self._idle)

    def word(self, word: int, start: int, end: int, sender: str) -> None:
        if not self._words:
            self._headless = not (word & MODE or self.after_reply or start - self.end > self._gap)
        super().word(word, start, end, sender)

    def told(self, words: tuple[int, ...]) -> tuple[str, bytes, tuple[str, ...]]:
        kind, data, broken = self.classify(words)
        if self._headless:
            kind, broken = "stray", tuple(fault for fault in broken if fault == "framing") or ("length",)
        self.after_reply, self._headless = kind == "reply", False
        return kind, data, broken

    def _lengths(self) -> tuple[int, ...]:
        """Lengths that the command under way can have; () if unknown or open."""
        data = bytes(w & 0xFF for w in self._words[:2])
        device = self.book.device_at(data[0])
        command = device and device.command_at(data)
        return command.lengths() if command else ()

    def _likely(self) -> int | None:
        data = bytes(w & 0xFF for w in self._words[:2])
        device = self.book.device_at(data[0])
        return device and device.command_length(data, self.modes.get(data[0] & ~COMMAND_BITS, _PLAIN))

    def could_end(self) -> bool:
        if self._headless:
            return True
        lengths = self._lengths()
        if not lengths:
            device = self.book.device_at(self._words[0])
            return not (len(self._words) == 1 and device and device.needs_sub(self._words[0] & 0xFF))
        return len(self._words) in lengths

    def ended(self) -> bool:
        words, count = self._words, len(self._words)
        if self._headless:
            return count >= ENDLESS
        first = words[0]
        if count == 1 and not first & MODE and first & 0xFF in self.replies:
            return True
        if count < 2:
            return False
        lengths = self._lengths()
        if not lengths:
            return count >= ENDLESS
        if count >= lengths[-1]:
            return True
        return count == self._likely() and checksum(bytes(w & 0xFF for w in words[:-1])) == words[-1] & 0xFF

    def _classify(self, words):
        data = bytes(w & 0xFF for w in words)
        broken = {"framing"} if any(w & FRAMING for w in words) else set()
        if len(words) == 1 and not words[0] & MODE and data[0] in self.replies:
            return "reply", data, tuple(broken)
        device = self.book.device_at(data[0])
        if not words[0] & MODE:
            if device is None:
                return "stray", data, _ordered(broken | {"mode"})
            broken.add("mode")
        if any(w & MODE for w in words[1:]):
            broken.add("mode")
        command = device.command_at(data) if device and len(data) > 1 else None
        lengths = command.lengths() if command else ()
        if len(words) > self.bus.most_words or len(words) < 2 or (lengths and len(words) not in lengths):
            broken.add("length")
        if len(words) < 2 or checksum(data[:-1]) != data[-1]:
            broken.add("sum")
        return "command", data, _ordered(broken)


class DeviceHalf(_Half):
    """The devices' conductor."""

    out = False

    def __init__(self, book, modes: dict[int, Mode] | None = None):
        super().__init__(book, modes or {})
        self.classify = lru_cache(4096)(self._classify)
        self._total = 0

    def word(self, word: int, start: int, end: int, sender: str) -> None:
        super().word(word, start, end, sender)
        if len(self._words) == 1:
            self._total = 0
        if len(self._words) > 1:
            self._total += self._words[-2] & 0xFF

    def begins(self, word: int, start: int) -> bool:
        """After a mode bit, words belong to the same block only if they follow at once."""
        return bool(self._words[-1] & MODE) and start - self.end > self._gap

    def could_end(self) -> bool:
        return bool(self._words[-1] & MODE)

    def ended(self) -> bool:
        last, count = self._words[-1], len(self._words)
        if count >= ENDLESS:
            return True
        if not last & MODE:
            return False
        if count == 1:
            return last & 0xFF in (self.bus.ack, self.bus.nak)
        return self._total & 0xFF == last & 0xFF

    def _classify(self, words):
        data = bytes(w & 0xFF for w in words)
        broken = {"framing"} if any(w & FRAMING for w in words) else set()
        if not words[-1] & MODE or any(w & MODE for w in words[:-1]):
            broken.add("mode")
        if len(words) == 1 and data[0] in (self.bus.ack, self.bus.nak):
            return ("ack" if data[0] == self.bus.ack else "nak"), data, _ordered(broken)
        if not 2 <= len(words) <= self.bus.most_words:
            broken.add("length")
        if len(words) < 2 or checksum(data[:-1]) != data[-1]:
            broken.add("sum")
        return "answer", data, _ordered(broken)


def timed(burst: Burst) -> Iterator[tuple[int, int, int]]:
    """Every word of a burst with its start and end."""
    length, last = burst.word_ticks(), len(burst.words) - 1
    for i, (word, start) in enumerate(zip(burst.words, burst.word_starts(), strict=True)):
        yield word, start, burst.end if i == last else start + length


def _ordered(broken: set[str]) -> tuple[str, ...]:
    return tuple(fault for fault in FAULTS if fault in broken)


class BlockReader:
    """Assembles the blocks of both directions from bursts of any size, fed in order of start.

    It keeps who was spoken to and how wide a device's amounts are. When it has missed that, a command
    with 16- and 32-bit forms still ends rightly, if its checksum is.
    """

    def __init__(self, book):
        self.book, self.bus = book, book.bus
        self.modes: dict[int, Mode] = {}
        self.address: int | None = None  # of the device last spoken to
        self._asked = self._offered = False  # a device may answer; its data awaits a reply
        self._command: Block | None = None  # the last one
        self._master, self._device = MasterHalf(book, self.modes), DeviceHalf(book)

    @property
    def deadline(self) -> int | None:
        """When silence will end a block (`expire`), or None."""
        ends = [half.end + half.patience for half in (self._master, self._device) if half.open]
        return min(ends) if ends else None

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

    def _word(self, half: _Half, word: int, start: int, end: int, sender: str, blocks: list[Block]) -> None:
        if self._master.open or self._device.open:
            blocks += [self._finish(silent) for silent in self._silent(start)]
            other = self._device if half is self._master else self._master
            if other.open and not half.open and other.could_end() and start >= other.end:
                blocks.append(self._finish(other))
            if half.open and half.begins(word, start):
                blocks.append(self._finish(half))
        half.word(word, start, end, sender)
        if half.ended():
            blocks.append(self._finish(half))

    def _in_order(self) -> list[_Half]:
        if self._device.open and self._device.start < self._master.start:
            return [self._device, self._master]
        return [self._master, self._device]

    def _silent(self, now: int) -> list[_Half]:
        return [half for half in self._in_order() if half.open and now - half.end >= half.patience]

    def _finish(self, half: _Half, cut: bool = False) -> Block:
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
        if not self._asked:
            return block._replace(kind="stray")
        self._asked, self._offered = False, block.kind == "answer" or bool(block.broken)
        if block.kind == "ack" and self._command.good:
            self._note_width(self._command)
        return block

    def _note_width(self, command: Block) -> None:
        """RESET and feature enable change how wide a device's amounts are."""
        device = self.book.device_at(command.data[0])
        if device is None or device.wide_feature is None:
            return
        try:
            name, fields, _ = device.parse_command(command.body, _PLAIN)
        except Misfit:
            return
        if name == "RESET":
            self.modes.pop(self.address, None)
        elif name == "FEATURES":
            self.modes[self.address] = device.mode(max(device.levels), fields["features"])

    def _break(self, burst: Burst) -> list[Block]:
        """A break ends all; one of two word times or less is only a framing error."""
        blocks = [self._finish(half, cut=True) for half in self._in_order() if half.open]
        short = burst.end - burst.start <= 2 * self.bus.word.ticks
        kind, broken = ("stray", ("framing",)) if short else ("break", ())
        if burst.out and not short:
            self.address, self._asked, self._offered = None, False, False
            self.modes.clear()
        data = bytes(len(burst.words))
        blocks.append(Block(burst.start, burst.end, burst.out, burst.sender, burst.words, data, kind, broken, 0,
                            self.address))  # fmt: skip
        return blocks
