"""The kit link as exchanges: who asked what, how often, and what came back that could be understood.

A party is judged by what reached it, so a broken frame counts as not received. A repeat (same bytes, while
the host cannot have taken an answer) is a further try of the same exchange; anything else is a new one.

Events, each with its arguments:
    kit.frame    (frame)              every frame of either side, broken ones too
    kit.request  (exchange)           a new request
    kit.try      (exchange, frame, previous try)
    kit.answer   (exchange, frame)    the first well-formed answer with the request's seq and operation
    kit.again    (exchange, frame)    a further one
    kit.events   (exchange, frame, events offered for the first time)   a good answer to POLL, after kit.answer
    kit.reply    (frame, request frame or None, bad frame of the host or None)   every good frame of the board
    kit.silent   (request frame)      one that stayed without answer while a later try was answered
    kit.restart  (seat)               the board or the host lost its power or got it back
"""

from typing import NamedTuple

from benchsim.events import Burst, Happening, LinkInfo
from benchsim.judge.core import Judge
from benchsim.judge.kit_events import Events
from benchsim.judge.kit_prices import Prices
from benchsim.judge.registry import follows
from benchsim.links.kit_frames import Frame, reader_of
from benchsim.schema.fields import Misfit

LATE = 4  # requests long past that a late answer is still told apart from an unasked one
OWED = 256  # the same of one request: more tries than these are a flood


class Heard:
    """A frame as the judge sees it. `message` is the parsed body, None where `broken` or `misfit`."""

    __slots__ = (
        "body", "broken", "end", "exchange", "message", "misfit", "number", "out", "raw", "seat", "spec", "start", "worst_gap",
    )  # fmt: skip

    def __init__(self, frame: Frame, number: int, seat: str, spec):
        self.start, self.end, self.out, self.body = frame.start, frame.end, frame.out, frame.body
        self.raw, self.broken, self.worst_gap = frame.raw, frame.broken, frame.worst_gap
        self.number, self.seat, self.spec = number, seat, spec
        self.exchange = self.message = self.misfit = None

    def text(self) -> str:
        """The frame in words."""
        if self.broken:
            return f"{self.body.hex(' ')} ({', '.join(self.broken)})"
        return self.spec.text(self.body, self.out)


class CutOff(NamedTuple):
    """An answer that had begun when the board lost its supply, and when its silence said that it was over."""

    start: int
    end: int


class Exchange:
    """A request, its tries, and the answer that the host could take."""

    __slots__ = (
        "answer", "before", "body", "down", "dubious", "first", "last", "maybe", "name", "op", "repeat", "seq", "since",
        "spoilt", "status", "tries", "waited",
    )  # fmt: skip

    def __init__(self, first: Heard, before: "Exchange | None", down: bool, repeat: bool):
        spec = first.spec
        self.first = self.last = first
        self.body = first.body
        self.op, self.seq = spec.asked(first.body)
        self.name = spec.operations[self.op].name if self.op in spec.operations else ""
        self.tries = 1
        self.before = before
        self.repeat = repeat  # to the board it is the last request again, though the host had its answer
        self.down = down  # the link was down, as far as the host could know
        self.answer: Heard | None = None
        self.status: int | None = None
        self.waited = 0  # ticks from the end of the try before it to the start of the answer
        self.maybe: Heard | None = None  # a well-formed answer of which we cannot tell whether it was dropped
        self.dubious = False  # an answer came that a host may take or leave
        self.spoilt = 0  # bad frames of the board since the first try
        self.since: Heard | CutOff | None = None  # the board's last frame since the last try

    @property
    def failed(self) -> bool:
        """No answer that the host could take."""
        return self.answer is None and not self.dubious

    @property
    def fields(self) -> dict:
        """What was asked with (empty where it does not fit its operation)."""
        return self.first.message.fields if self.first.message else {}

    @property
    def ok(self) -> bool:
        """Answered, with status ok."""
        return self.status == 0


@follows("kit")
class KitTalk:
    """Bursts of the kit link to the events above."""

    def __init__(self, judge: Judge, info: LinkInfo):
        self.judge, self.spec, self.doubt = judge, judge.book.kit, info.uncertainty
        self._strict = not info.chunks
        self.readers = {out: reader_of(self.spec, self._strict) for out in (True, False)}
        self._numbers: dict[bool, int | None] = {True: None, False: None}
        self._half = False  # is a frame under way on either side?
        self.seats = {True: self.spec.asks, False: self.spec.answers}
        self.wait, self.tries = self.spec.limits["wait"], self.spec.limits["tries"]
        self.current: Exchange | None = None
        self.events = Events(self.spec)
        self.prices = Prices(self.spec)  # while kit.answer is told: as before that answer
        self.whole = False  # heard from the beginning on
        self.requests = 0  # new ones
        self._board_new = False  # the board started anew since the last request: any seq is new
        self._booting = False  # it has said nothing since
        self._owed: list[Heard] = []
        self._late: list[Heard] = []
        self._bad: Heard | None = None
        names = "frame request try answer again events reply silent restart".split()
        self._calls = {name: judge.calls("kit." + name) for name in names}
        judge.calls("happening.power").append(self._power)
        judge.calls("happening.case").append(self._case)
        judge.kit_talk = self

    def leapt(self, requests: int) -> None:
        """Quiet time was leapt over, in which so many requests were made; nothing repeats the last of them."""
        x = self.current
        x.seq, x.body = (x.seq + requests) % self.spec.seqs, b""
        self.events.leapt(x.seq)

    # ---- frames

    def burst(self, burst: Burst) -> None:
        """Bytes of either side."""
        out = burst.out
        if self._half:
            self._expire(burst.start)
        reader = self.readers[out]
        if self._numbers[out] is None:
            self._numbers[out] = self.judge.number()
        for frame in reader.feed(burst):
            self._frame(frame, out)
        if reader.begun is not None:
            self._half = True
            if self._numbers[out] is None:
                self._numbers[out] = self.judge.number()

    def _expire(self, now: int) -> None:
        """Drop frames under way whose next byte is overdue at `now`."""
        self._half = False
        for out, reader in self.readers.items():
            deadline = reader.deadline
            if deadline is not None and now > deadline:
                for frame in reader.expire(now):
                    self._frame(frame, out)
            self._half = self._half or reader.begun is not None

    def close(self, end: int) -> None:
        """What the end cuts is not judged; what silence dropped before it is."""
        self._expire(end)

    def _frame(self, frame: Frame, out: bool) -> None:
        number = self._numbers[out]
        self._numbers[out] = None
        heard = Heard(frame, self.judge.number() if number is None else number, self.seats[out], self.spec)
        if not heard.broken:
            self._parse(heard)
            if heard.message is not None:
                self.judge.present[heard.seat] = None
        for call in self._calls["frame"]:
            call(heard)
        if out:
            self._from_host(heard)
        else:
            self._from_board(heard)

    def _parse(self, heard: Heard) -> None:
        try:
            if self.spec.turned(heard.body, heard.out):
                raise Misfit("kind", "a request of the answering side" if not heard.out else "an answer of the host")
            parse = self.spec.parse_request if heard.out else self.spec.parse_answer
            heard.message = parse(heard.body)
        except Misfit as misfit:
            heard.misfit = misfit

    # ---- the host's side

    def _from_host(self, heard: Heard) -> None:
        x = self.current
        if heard.broken or self.spec.turned(heard.body, out=True):
            self._bad = heard
            if x is not None and x.failed:
                x.last = heard  # a try that did not arrive: what is timed from it starts here
            return
        self._bad = None
        if x is not None and heard.body == x.body and not self._took(x, heard):
            previous, x.last, x.since = x.last, heard, x.since
            x.tries += 1
            heard.exchange = x
            self._owes(heard)
            for call in self._calls["try"]:
                call(x, heard, previous)
            x.since = None
            return
        self._begin(heard, x)

    def _owes(self, request: Heard) -> None:
        """The board owes an answer. Of a flood only the newest are kept."""
        self._owed.append(request)
        if len(self._owed) > OWED:
            del self._owed[0]

    def _took(self, x: Exchange, again: Heard) -> bool:
        """Must the host have taken an answer before it said the same again?"""
        return self.sure(x, again.end) and x.answer.end <= again.start + self.doubt

    def sure(self, x: Exchange, now: int) -> bool:
        """Did an answer begin while the host still had to wait for it, as far as can be told by `now`?"""
        if x.answer is None:
            return False
        doubt = self.doubt_of(x.last.start, now)
        return -doubt <= x.waited < self.wait.low - doubt

    def doubt_of(self, start: int, end: int) -> int:
        """By how many ticks a time from `start` to `end` may be off."""
        return self.doubt + self.judge.stalled(start, end) if self.doubt else 0

    def _begin(self, heard: Heard, before: Exchange | None) -> None:
        if before is not None:
            before.before = None
            if before.answer is None and before.maybe and self._name(heard) != "RESET":
                self._answered(before, before.maybe)  # the host goes on, so it took it
            self._settle(heard)
        down = before is None or (
            before.failed and (before.name == "RESET" or before.tries >= self.tries.high)
        )
        repeat = before is not None and before.body == heard.body and not self._board_new
        self._board_new = False
        self.requests += 1
        x = self.current = Exchange(heard, before, down, repeat)
        heard.exchange = x
        self._owes(heard)
        self.events.request(x)
        self.prices.request(x)
        for call in self._calls["request"]:
            call(x)

    def _name(self, heard: Heard) -> str:
        return heard.message.name if heard.message else ""

    def _settle(self, new: Heard) -> None:
        """A new request begins: what is still owed comes out of turn at best."""
        if not self._owed:
            return
        for request in self._owed:
            if request.exchange.answer is not None and not tells_of_a_start(request.exchange.answer):
                for call in self._calls["silent"]:
                    call(request, new)
        self._late = (self._late + self._owed)[-LATE:]
        self._owed = []

    # ---- the board's side

    def _from_board(self, heard: Heard) -> None:
        x = self.current
        if x is not None:
            x.since = heard
        request = self._asked_by(heard)
        if self._booting:  # while it started it owed no answer
            self._booting, self._owed = False, []
        if heard.broken:
            if x is not None:
                x.spoilt += 1
            return
        for call in self._calls["reply"]:
            call(heard, request, self._bad)
        if x is None or self.spec.answered(heard.body) != (x.op, x.seq):
            return
        if heard.message is None:
            x.dubious = True
            return
        if x.answer is None and self._perhaps_dropped(heard):
            x.dubious, x.maybe = True, heard
            return
        if x.answer is not None:
            for call in self._calls["again"]:
                call(x, heard)
            return
        self._answered(x, heard)

    def _answered(self, x: Exchange, heard: Heard) -> None:
        x.answer, x.status = heard, heard.message.status
        x.waited = heard.start - x.last.end
        for call in self._calls["answer"]:
            call(x, heard)
        self.prices.answer(x, heard)
        if x.name == "POLL" and x.ok:
            fresh = self.events.answer(x, heard)
            for call in self._calls["events"]:
                call(x, heard, fresh)

    def _perhaps_dropped(self, heard: Heard) -> bool:
        """May its receiver have measured too long a gap in it, where we did not or could not?"""
        return heard.worst_gap > self.spec.limits["gap"].high - self.doubt

    def _asked_by(self, heard: Heard) -> Heard | None:
        """The request that a frame of the board answers: the last fitting one, else the last one."""
        head = self.spec.answered(heard.body) if len(heard.body) >= self.spec.least else None
        for waiting in (self._owed, self._late):
            for request in reversed(waiting):
                if (request.exchange.op, request.exchange.seq) == head and request.end <= heard.start + self.doubt:
                    waiting.remove(request)
                    return request
        for request in reversed(self._owed):
            if request.end <= heard.start + self.doubt:
                self._owed.remove(request)
                return request
        return None

    # ---- off the link

    def _case(self, happening: Happening) -> None:
        if self.current is None:
            self.whole = True

    def _power(self, happening: Happening) -> None:
        for out, seat in self.seats.items():
            if happening.seat == seat:
                self._restart(out, seat)

    def _restart(self, out: bool, seat: str) -> None:
        if self.current is None:
            self.whole = True
        elif not out and (heard := self.readers[out].heard):
            self.current.since = CutOff(heard[0], heard[1] + self.spec.limits["gap"].high)
        self.readers[out] = reader_of(self.spec, self._strict)
        self._numbers[out] = None
        self._late = (self._late + self._owed)[-LATE:] if out else []  # what the host asked last is still answered
        self._owed, self._bad = [], None
        if out:
            self.current = None
        else:
            self._board_new = self._booting = True
            self.events.forget()
        for call in self._calls["restart"]:
            call(seat)


def tells_of_a_start(answer: Heard) -> bool:
    """Does an answer of the board carry BOOTED?"""
    fields = answer.message.fields
    return "events" in fields and any(event.name == "BOOTED" for event in fields["events"])
