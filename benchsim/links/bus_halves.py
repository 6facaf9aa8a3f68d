"""Blocks of the payment bus on one conductor: words with times in, blocks out.

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

from benchsim.events import FRAMING, MODE, Burst
from benchsim.schema.bus import COMMAND_BITS, Mode, checksum

PLAIN = Mode()
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


class Half:
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
        start, self.start = self.start, 0
        return Block(start, self.end, self.out, self._sender, words, data, kind, broken, self._worst, address)

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
        return self._alone(words, self.modes.get(words[0] & ~COMMAND_BITS & 0xFF, PLAIN))

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
        return Block(
            burst.start, burst.end, self.out, burst.sender, burst.words, data, kind, broken, 0, address
        )


class MasterHalf(Half):
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

    def passes_by(self, burst: Burst, address: int) -> bool:
        """Is it exactly one command, to another address? Then it is over, and nothing more need be known of it."""
        first = burst.words[0]
        if not first & MODE or first & ~COMMAND_BITS & 0xFF == address or not self.alone(burst):
            return False
        self.end, self.after_reply, self._headless = burst.end, False, False
        return True

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
        return device and device.command_length(data, self.modes.get(data[0] & ~COMMAND_BITS, PLAIN))

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


class DeviceHalf(Half):
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
