"""The two sides of the payment bus: the master asks one block at a time, a device answers its address.

    master   command ──►            ACK, or RET when the data was bad (twice at most)
    device          ◄── ACK, NAK, data or silence, within 5 ms

All times from MDB/ICP 4.3 §3. Words go out through the line, and every wait is one timed call.
"""

from collections.abc import Callable
from typing import NamedTuple

from benchsim.events import MODE, TICKS_PER_MS, Burst
from benchsim.links.bus_halves import Block, DeviceHalf, MasterHalf
from benchsim.schema.bus import COMMAND_BITS, DeviceSpec, Message, Mode, answer_words, command_words
from benchsim.schema.fields import Misfit

MOST_REPEATS = 2  # times the master asks for bad data again
TURNAROUND = TICKS_PER_MS // 2  # from hearing to speaking, master
ANSWER = TICKS_PER_MS  # the same, device; up to half a millisecond more by chance (`BusDevice.waver`)
HEARING = TICKS_PER_MS // 10  # the master listens this much longer than an answer may take


class Outcome(NamedTuple):
    """How a command ended: "ack", "nak", "data", "silence", "broken" (bad even after RET)."""

    kind: str
    data: bytes = b""  # without checksum


class BusMaster:
    """The asking side, one command at a time. `stop` forgets the command under way."""

    def __init__(self, clock, line, book, seat: str = "board"):
        self._clock, self._line, self._bus, self._seat = clock, line, book.bus, seat
        self._half = DeviceHalf(book)
        self._patience = book.bus.limits["response"].high + HEARING
        self._done: Callable[[Outcome], None] | None = None
        self._repeats = 0
        self._timer = None
        self.turnaround = TURNAROUND
        line.attach(seat, True, self.hear)

    @property
    def busy(self) -> bool:
        """A command is under way."""
        return self._done is not None

    def ask(self, data: bytes, done: Callable[[Outcome], None]) -> None:
        """Send a command (without checksum) now; `done(outcome)` is called once, after any ACK is said."""
        self.ask_words(command_words(data), done)

    def ask_words(self, words: tuple[int, ...], done: Callable[[Outcome], None], gaps: tuple[int, ...] = ()) -> None:
        """Send these very words, as a command or whatever they are, with `gaps` (ticks) before them."""
        self._done, self._repeats = done, 0
        self._send(words, self._clock.now(), gaps)

    def reply(self, data: bytes) -> int | None:
        """What to say to good data: ACK, RET or NAK; None: nothing. For masters that try their devices."""
        return self._bus.ack

    def hold(self, length: int) -> int:
        """A break of `length` ticks from now. Returns its end."""
        return self._line.hold(self._seat, self._clock.now(), length).end

    def stop(self) -> None:
        """Fall silent at once."""
        self._line.cut(self._seat)
        self._rest()

    def _rest(self) -> None:
        self._done = None
        self._half.forget()
        self._wait(None)

    def _wait(self, until: int | None) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._timer = None if until is None else self._clock.call_at(until, self._late)

    def _send(self, words: tuple[int, ...], at: int, gaps: tuple[int, ...] = ()) -> None:
        burst = self._line.say(self._seat, words, at, gaps)
        self._wait(burst.end + self._patience + self._line.slack)

    def _late(self) -> None:
        """Nothing (more) was heard in time, unless an answer is just being said."""
        self._timer = None
        until = self._line.under_way(out=False)
        if until is not None:
            self._wait(until + HEARING + self._line.slack)
        elif self._half.open:
            self._heard(self._half.take(None))
        else:
            self._end(Outcome("silence"))

    def hear(self, burst: Burst) -> None:
        """Words from a device. What comes unasked is not listened to."""
        if self._done is None or burst.is_break:
            return
        for block in self._half.feed(burst):
            self._heard(block)
            return
        self._wait(self._half.end + self._half.patience + self._line.slack)

    def _heard(self, block: Block) -> None:
        if not block.good:
            self._repeat()
        elif block.kind == "answer":
            self._came(block.body)
        else:
            self._end(Outcome(block.kind))

    def _came(self, data: bytes) -> None:
        word, at = self.reply(data), self._clock.now() + self.turnaround
        if word == self._bus.ret:
            self._half.forget()
            self._send((word,), at)
            return
        if word is not None:
            self._line.say(self._seat, (word,), at)
        self._end(Outcome("data", data))

    def _repeat(self) -> None:
        self._half.forget()
        if self._line.busy(self._seat):  # a RET is on its way: two devices talk, and both are told at once
            return
        if self._repeats == MOST_REPEATS:
            self._end(Outcome("broken"))
            return
        self._repeats += 1
        self._send((self._bus.ret,), self._clock.now() + self.turnaround)

    def _end(self, outcome: Outcome) -> None:
        done = self._done
        self._rest()
        done(outcome)


class BusDevice:
    """The answering side at one address.

    `answer(message)` gives what to say to a command: data without checksum, b"" for ACK, or None for
    silence. `acked(taken)` tells whether the master took the last data; until then it is held.
    `reset()` is called for a break and before the answer to RESET.

    A fault may change `delay` (ticks before an answer), `word` (ticks, 0 = nominal) or `muted`, or add to
    `tricks` a `trick(name, words, at)`: `name` is the command that is answered ("RET" for a repetition, ""
    for a block with a wrong checksum), `words` what would be said, `at` when. The first that returns a
    callable takes over: it is called and says, by `line.say(seat, words, at)`, whatever it likes, or nothing.
    """

    def __init__(self, clock, line, book, spec: DeviceSpec, seat: str, rng, answer, acked, reset):
        self._clock, self.line, self._bus, self._rng = clock, line, book.bus, rng
        self.spec, self.seat, self.address = spec, seat, spec.seats[seat]
        self._answer, self._acked, self._reset = answer, acked, reset
        self._half = MasterHalf(book, {})
        self._said: tuple[int, ...] = ()  # what RET asks for again, until anybody is spoken to
        self._offered = False  # it is data that awaits the master's reply
        self._timer = None
        self._ended = 0  # of the last block heard
        self._more = 0  # ticks by which it is slower at the moment
        self.on = False
        self.delay, self.word, self.muted = ANSWER, 0, False
        self.tricks: list[Callable] = []
        self.mode = Mode(spec.levels[0])
        line.attach(seat, False, self.hear)

    @property
    def mode(self) -> Mode:
        """Level, features, width of money."""
        return self._mode

    @mode.setter
    def mode(self, mode: Mode) -> None:
        self._mode = self._half.modes[self.address] = mode

    def start(self) -> None:
        """Power on."""
        self.on = True
        self.waver()
        self._forget()

    def waver(self) -> None:
        """From now on it answers a little sooner or later: whenever it has something to do, so that a device at rest
        needs no chance."""
        self._more = self._rng.randrange(ANSWER // 2)

    def stop(self) -> None:
        """Power off: silent at once."""
        self.on = False
        self.line.cut(self.seat)
        self._forget()

    def _forget(self) -> None:
        self._half.forget()
        self._said, self._offered = (), False
        self._wait(None)

    def _wait(self, until: int | None) -> None:
        if self._timer is not None:
            self._timer.cancel()
        self._timer = None if until is None else self._clock.call_at(until, self._silence)

    def _silence(self) -> None:
        self._timer = None
        if self._half.open:
            self._heard(self._half.take(None))

    def hear(self, burst: Burst) -> None:
        """Words from the master, to whomever."""
        if not self.on:
            return
        if burst.is_break:
            if burst.end - burst.start >= self._bus.limits["break"].low:
                self._forget()
                self._reset()
            return
        if self._half.passes_by(burst, self.address):
            self._ended = burst.end
            self._not_taken()
        else:
            for block in self._half.feed(burst):
                self._heard(block)
        if self._half.open or self._timer is not None:
            self._wait(self._half.end + self._half.patience + self.line.slack if self._half.open else None)

    def _heard(self, block: Block) -> None:
        self._ended = block.end
        if block.kind == "reply":
            self._replied(block.data[0])
            return
        self._not_taken()
        if block.kind == "command" and block.data[0] & ~COMMAND_BITS == self.address:
            self._commanded(block)

    def _replied(self, reply: int) -> None:
        if reply == self._bus.ret and self._said:
            self._say(self._said, "RET")
        elif self._offered:
            self._taken(reply == self._bus.ack)

    def _not_taken(self) -> None:
        self._said = ()
        if self._offered:
            self._taken(False)

    def _taken(self, taken: bool) -> None:
        self._said, self._offered = (), False
        self._acked(taken)

    def _commanded(self, block: Block) -> None:
        if not block.good:
            if block.broken == ("sum",):
                self._say((self._bus.nak | MODE,), "")
            return
        try:
            message: Message = self.spec.parse_command(block.body, self._mode)
        except Misfit:
            return
        if message.name == "RESET":
            self._reset()
        data = self._answer(message)
        if data is None:
            return
        self._offered = bool(data)
        self._said = answer_words(data) if data else (self._bus.ack | MODE,)
        self._say(self._said, message.name)

    def _say(self, words: tuple[int, ...], name: str) -> None:
        if self.muted:
            return
        # From the end of the block: of some only a silence after it told that it was over.
        at = max(self._clock.now(), self._ended + self.delay + self._more)
        if self.tricks and self._tricked(name, words, at):
            return
        self.line.say(self.seat, words, at, word=self.word)

    def _tricked(self, name: str, words: tuple[int, ...], at: int) -> bool:
        """Does a trick take the answer over?"""
        for trick in list(self.tricks):
            if (call := trick(name, words, at)) is not None:
                call()
                return True
        return False
