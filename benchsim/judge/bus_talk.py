"""Follows the payment bus for the rules: blocks become exchanges, and what devices told is kept.

An exchange is one command with all that came of it: silence, or an answer and the master's reply, and
after RET the answer again. Events told, by kind:

    bus.burst    every `Burst`, as it comes
    bus.heard    every block (`Heard`), placed and attributed
    bus.command  an `Exchange` whose command is whole on the line, broken or not
    bus.answer   an `Exchange` and the `Heard` answer to it, late ones too
    bus.unasked  a `Heard` device block that nobody asked for, and its seat
    bus.reply    an `Exchange` whose data block the master answered
    bus.done     an `Exchange` of which nothing more can come (if all are punctual)
    bus.overlap  two `Heard` that were on the bus at once, by start, and for how many ticks
    bus.break    the `Heard` break
    bus.resumed  two `Heard` that are one block with far too long a gap in it
    bus.power    a seat and whether it has power: what it knew is gone

Of command, answer, reply and done there are finer kinds, by a word behind the kind (`bus.done.changer`): the
kind of device (name of its file), the name of the command, and what was answered: "ack", "nak", "data", or
"silent" while nothing was. A call that asks for several of them is made once; plain kinds are called first.

Attribution: a device's words belong to the seat that the burst names, else to the device spoken to.
"""

from collections import deque
from functools import partial

from benchsim.events import FRAMING, MODE, Burst, LinkInfo
from benchsim.judge.bus_known import Known
from benchsim.judge.registry import follows
from benchsim.links.bus_blocks import Block, BlockReader
from benchsim.schema.bus import Message

ANSWERED = {None: "silent", "ack": "ack", "nak": "nak", "answer": "data"}
NEIGHBOURS = 8  # blocks within which an overlap is looked for


class Heard:
    """One block with its frame number and its seat.

    `fault`: "late" or "unasked" for such a talker, "rest" for the second half of a torn block, "mode" for a
    reply with a mode bit: no receiver takes these for what they look like.
    """

    __slots__ = (
        "block", "broken", "collided", "data", "end", "fault", "known_as", "number", "out", "seat", "start", "words",
    )  # fmt: skip

    def __init__(self, block: Block, number: int, seat: str):
        self.block, self.number, self.seat = block, number, seat
        self.start, self.end, self.out, _, self.words, self.data, _, self.broken, _, _ = block
        self.collided = False
        self.fault = self.known_as = None

    @property
    def intact(self) -> bool:
        """Whoever listens can have taken it."""
        return not self.block.broken and not self.collided and not self.fault

    def text(self) -> str:
        """The block for people, e.g. "board 10B 00B (POLL)"."""
        if self.block.kind == "break":
            return f"{self.seat} break"
        words = " ".join(f"{w & (0xFF | MODE):03X}{'!' if w & FRAMING else ''}" for w in self.words)
        return f"{self.seat} {words}" + (f" ({self.known_as})" if self.known_as else "")


class Exchange:
    """One command and what came of it."""

    __slots__ = (
        "again", "answer", "answers", "asked", "command", "cut", "due", "kind", "known", "message", "messages", "misfit",
        "name", "open", "repeat", "reply", "seat", "unfit", "unsure",
    )  # fmt: skip

    def __init__(self, command: Heard, known: Known | None):
        self.command, self.known = command, known
        self.seat = known.seat if known else None
        self.message: Message | None = None  # the command parsed
        self.name: str | None = None  # of the command, None if it is not known
        self.misfit: str | None = None  # why the command is none of this device's
        self.unsure = False  # the last misfit, of command or answer, may be none: what is known is not certain
        self.due = command.end  # from where the answer's time counts
        self.asked = True  # an answer may come
        self.open = True  # the last command on the bus
        self.again = False  # RET: the same block is wanted
        self.cut = False  # ended by a break or a loss of power
        self.repeat = False  # the same command as before, whose answer was lost
        self.answers: list[Heard] = []
        self.answer: Heard | None = None
        self.kind: str | None = None  # of the last answer: "ack", "nak" or "answer"
        self.messages: list[Message] = []
        self.unfit: str | None = None  # why the answer is none to this command
        self.reply: Heard | None = None

    @property
    def taken(self) -> bool:
        """An intact answer came in time, and nothing about it remains owed."""
        return bool(self.answer and self.answer.intact) and self.kind != "nak" and not self.offered

    @property
    def offered(self) -> bool:
        """Its last answer is data that the master has not acknowledged."""
        return self.kind == "answer" and not (self.reply and self.reply.intact and self.reply.data == b"\0")


@follows("bus")
class BusTalk:
    """The follower: one per judge."""

    def __init__(self, judge, info: LinkInfo):
        self.judge, self.info, self.book = judge, info, judge.book
        bus = judge.book.bus
        self.bus = bus
        self.response = bus.limits["response"].high + info.uncertainty
        self.forgotten = bus.limits["poll"].high  # later than that, an answer is words that nobody asked for
        self.reader = BlockReader(judge.book, partial(judge.doubt, info.name) if info.uncertainty else None)
        self.known: dict[str, Known] = {}
        self.current: Exchange | None = None
        self.before: Exchange | None = None
        self._recent: deque[Heard] = deque(maxlen=NEIGHBOURS)
        self._busy_until = 0  # end of the last word so far
        self._latest: Heard | None = None
        self._alarm = -1
        kinds = ("burst", "heard", "unasked", "overlap", "break", "power", "resumed")
        self._calls = {kind: judge.calls(f"bus.{kind}") for kind in kinds}
        self._callers: dict[tuple, tuple] = {}  # of finer kinds
        judge.calls("happening.power").append(self._power)

    def tell(self, kind: str, *what) -> None:
        """Call whoever wants to hear of it."""
        for call in self._calls[kind]:
            call(*what)

    def tell_of(self, kind: str, x: Exchange, *more) -> None:
        """The same for an exchange, whose kinds are several."""
        device = x.known.device if x.known else None
        kinds = kind, device and device.name, x.name, x.kind
        calls = self._callers.get(kinds)
        if calls is None:
            words = (device and device.name, x.name, ANSWERED[x.kind])
            calls = self.judge.callers([f"bus.{kind}", *(f"bus.{kind}.{word}" for word in words if word)])
            self._callers[kinds] = calls
        for call in calls:
            call(x, *more)

    # ---- from the judge

    def burst(self, burst: Burst) -> None:
        """Words of either direction."""
        self.tell("burst", burst)
        for block in self.reader.feed(burst):
            self._block(block)
        deadline = self.reader.deadline
        if deadline is not None and deadline > self._alarm:
            self._alarm = deadline
            self.judge.at(deadline, self._silence, deadline + 1)

    def _silence(self, now: int) -> None:
        for block in self.reader.expire(now):
            self._block(block)

    def close(self, end: int) -> None:
        """A block or an exchange cut by the end is not judged."""
        for block in self.reader.close():
            if "cut" not in block.broken:
                self._block(block)
        x = self.current
        if x and (x.answer or x.due + self.response < end):
            self._done()

    def _power(self, happening) -> None:
        seat, on = happening.seat, bool(happening.data.get("on", True))
        if not on:  # a block that its sender's loss of power cut is nobody's fault
            for block in self.reader.close():
                if "cut" not in block.broken or block.sender not in (seat, ""):
                    self._block(block)
        if self.current and seat in (self.info.out, self.current.seat):
            self.current.cut = True
            self.current = None
        if seat == self.info.out:
            self.before = None
            for known in self.known.values():
                known.forget()
        elif seat in self.known:
            self.known[seat].forget()
        self.tell("power", seat, on)

    # ---- blocks

    def _block(self, block: Block) -> None:
        heard = Heard(block, self.judge.number(), block.sender or self._guess(block))
        if heard.seat:
            self.judge.heard(heard.seat)
        if block.kind == "break":
            self._break(heard)
        elif block.out:
            self._from_master(heard)
        else:
            self._from_device(heard)
        self._latest = heard
        self.tell("heard", heard)
        self._overlaps(heard)

    def _guess(self, block: Block) -> str:
        if block.out:
            return self.info.out
        x = self._asked_by(block.start)
        return x.seat if x and x.seat else ""

    def _asked_by(self, start: int) -> Exchange | None:
        """The exchange that words without a name, begun at `start`, belong to."""
        x = self.current
        if x and start < x.command.end and self.before:
            return self.before
        return x

    def _break(self, heard: Heard) -> None:
        if heard.out:
            if self.current:
                self.current.cut = True
            self._done()
            for known in self.known.values():
                known.forget()
        self.tell("break", heard)

    def _from_master(self, heard: Heard) -> None:
        x, block = self.current, heard.block
        replies = (self.bus.ack, self.bus.ret, self.bus.nak)
        if len(block.data) == 1 and block.data[0] in replies and x and x.kind == "answer" and not x.reply:
            x.reply = heard
            heard.fault = "mode" if block.words[0] & MODE else None
            heard.known_as = {self.bus.ack: "ACK", self.bus.ret: "RET", self.bus.nak: "NAK"}.get(block.data[0])
            x.again = x.asked = heard.intact and block.data[0] == self.bus.ret
            x.due = heard.end
            self._learn(x)
            self.tell_of("reply", x)
        elif block.kind == "command":
            self._done()
            self._command(heard)
        elif block.kind == "stray" and self._resumes(heard, "length" in self._latest.broken if self._latest else False):
            return

    def _command(self, heard: Heard) -> None:
        known = None if heard.words[0] & FRAMING else self.know(heard.block.address)
        x = Exchange(heard, known)
        if known and known.device and heard.block.good:
            x.message, why = known.reads(lambda mode: known.device.parse_command(heard.block.body, mode))
            x.misfit, x.unsure = why and str(why), bool(why and why.kind == "unsure")
            heard.known_as = x.name = x.message.name if x.message else None
        if known:
            last, known.last = known.last, x
            x.repeat = bool(last and last.command.data == heard.data and not last.taken)
        self.current = x
        self.tell_of("command", x)

    def know(self, address: int | None) -> Known | None:
        """What is known of the device at an address; None where there is no such seat."""
        seat = None if address is None else self.book.seat_at(address)
        if seat is None:
            return None
        if seat not in self.known:
            self.known[seat] = Known(seat, self.book.device_at(address))
        return self.known[seat]

    def _from_device(self, heard: Heard) -> None:
        x = self._asked_by(heard.start)
        if heard.block.sender:
            known = self.known.get(heard.block.sender)
            x = known.last if known else None
        early = x and heard.start < x.due - self.info.uncertainty
        if x is None or not x.asked or early or self._too_long(x, heard):
            if not self._resumes(heard, bool(self._latest and not self._latest.words[-1] & MODE)):
                heard.fault = "unasked"
                self.tell("unasked", heard)
            return
        if heard.start - x.due - self.judge.stalled(x.due, heard.start) > self.response:
            heard.fault = "late"
        self._answer(x, heard)

    def _too_long(self, x: Exchange, heard: Heard) -> bool:
        """Did it begin so long after its due time that it is no answer, whatever the bench's own stalls?"""
        after = heard.start - x.due
        return after > self.forgotten and after - self.judge.stalled(x.due, heard.start) > self.forgotten

    def _resumes(self, heard: Heard, torn: bool) -> bool:
        """Does it go on with the block before it, after a silence that ended that one?"""
        before = self._latest
        rest = torn and before.out == heard.out and before.seat == heard.seat
        if not rest or heard.start - before.end > self.forgotten:
            return False
        heard.fault = "rest"
        self.tell("resumed", before, heard)
        return True

    def _answer(self, x: Exchange, heard: Heard) -> None:
        x.asked, x.answer, x.reply, x.unfit, x.messages = False, heard, None, None, []
        x.answers.append(heard)
        x.kind = heard.block.kind if heard.block.kind in ("ack", "nak") else "answer"
        if x.kind == "answer" and len(heard.data) == 1 and heard.data[0] in (self.bus.ack, self.bus.nak):
            x.kind = "ack" if heard.data[0] == self.bus.ack else "nak"
        heard.known_as = {"ack": "ACK", "nak": "NAK"}.get(x.kind)
        if x.message and x.kind != "nak" and heard.block.good:
            self._read(x, heard)
        if x.kind == "ack":
            self._learn(x)
        self.tell_of("answer", x, heard)

    def _read(self, x: Exchange, heard: Heard) -> None:
        device, name = x.known.device, x.name
        if x.kind == "ack":
            command = device.commands[name]
            if not (command.may_ack or command.activity):
                x.unfit = f"ACK is no answer to {name}"
            return
        found, why = x.known.reads(lambda mode: device.parse_answer(name, heard.block.body, mode))
        x.unfit, x.unsure = why and str(why), bool(why and why.kind == "unsure")
        x.messages = found or []
        heard.known_as = ", ".join(message.name for message in x.messages) or None

    def _done(self) -> None:
        x, self.current = self.current, None
        if x:
            x.open = False
            self.before = x
            self.tell_of("done", x)

    # ---- what devices tell of themselves

    def _learn(self, x: Exchange) -> None:
        known, sure = x.known, x.command.intact and x.answer.intact
        if not known or not x.name or not sure or x.offered and x.kind != "ack":
            return
        known.learn(x.message, x.messages)
        if known.device and known.modes():
            self.reader.modes[x.command.block.address] = known.modes()[0]

    # ---- two at once

    def _overlaps(self, heard: Heard) -> None:
        if heard.block.kind == "break":
            return
        if heard.start < self._busy_until:
            for other in self._recent:
                common = min(heard.end, other.end) - max(heard.start, other.start)
                if common > 0 and (other.out != heard.out or other.seat != heard.seat):
                    heard.collided = other.collided = True
                    first, second = sorted((other, heard), key=lambda one: one.start)
                    self.tell("overlap", first, second, common)
        self._busy_until = max(self._busy_until, heard.end)
        self._recent.append(heard)

