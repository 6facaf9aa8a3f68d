"""Cashless readers: states, sessions and money. Source: MDB/ICP 4.3 §7.

Where a reader stands is told by `readers`; a time that a reader has is its own response time, from its SETUP answer.
"""

from benchsim.events import TICKS_PER_SECOND
from benchsim.judge.device_rules import delivered, resets
from benchsim.judge.readers import APPROVED, IDLE, features_of, readers_of
from benchsim.judge.registry import rule
from benchsim.schema.limits import Limit

ALWAYS_IDLE = 5  # feature bit
ASKS_OUTCOME = ("VEND REQUEST", "NEGATIVE VEND", "REVALUE REQUEST", "VEND CANCEL", "SESSION COMPLETE")
# What a reader may say instead of out of sequence, because it says what is so (common practice).
SAYS_ENOUGH = {"VEND CANCEL": "VEND DENIED", "SESSION COMPLETE": "END SESSION"}
NO_SETUP = "the reader's SETUP answer was not heard, so its response time is not known"


def own_time(known) -> Limit | None:
    """A reader's own response time; None where its SETUP answer was not heard."""
    high = known.response_s * TICKS_PER_SECOND
    says = "the reader's own response time"
    return Limit("response", None, high, None, "s", TICKS_PER_SECOND, says, "MDB/ICP 4.3 §7", "A") if high else None


@rule("CSH-STATE", judged="controller reader", link="bus", source="MDB/ICP 4.3 §7")
def legal_in_state(tally, judge):
    """Every command and every answer is legal in the reader's state."""
    readers = readers_of(judge)
    machine = readers.machine

    def command(reader, x):
        row = machine.row(x.name)
        ok = None if row.states is None else reader.legal(x.name, features_of(x))
        if ok is not None:
            text = "" if ok else f"{reader.seat} is in {reader.text}"
            tally.check(x.command.seat, ok, x.command, text, warn=row.confidence == "C")

    def answer(reader, x, message):
        row = machine.row(message.name, True)
        ok = None if row.states is None else reader.legal(message.name, features_of(x), True)
        if ok is None or (not ok and (_on_its_way(reader, x, message) or reader.may_know(message.name))):
            return
        tally.check(reader.seat, ok, x.answer, "" if ok else f"{message.name} in {reader.text}", warn=row.confidence == "C")

    readers.before_command.append(command)
    readers.before_answer.append(answer)


def _on_its_way(reader, x, message) -> bool:
    """A session may begin, and be on its way, while the reader is being disabled: within its response time."""
    if message.name != "BEGIN SESSION" or not reader.surely("Disabled") or reader.disabled_at is None:
        return False
    limit = own_time(x.known)
    return limit is None or x.command.start - reader.disabled_at <= limit.high


@rule("CSH-FUNDS", judged="controller", link="bus", source="MDB/ICP 4.3 §7")
def within_funds(tally, judge):
    """No VEND request goes above what is left of the session's funds, where those are known."""

    def command(reader, x):
        known = reader.funds is not None and reader.surely(IDLE) and not features_of(x) >> ALWAYS_IDLE & 1
        if x.name == "VEND REQUEST" and known:
            price = x.message.fields["price"]
            tally.check(x.command.seat, price <= reader.funds, x.command, f"{price} of {reader.funds} left")

    readers_of(judge).before_command.append(command)


@rule("CSH-OUTCOME", judged="controller", link="bus", source="MDB/ICP 4.3 §7")
def one_outcome(tally, judge):
    """Each vend approved is followed by exactly one of success or failure."""

    def command(reader, x):
        approved = reader.surely(*APPROVED)
        if x.name in ("VEND SUCCESS", "VEND FAILURE") and (approved or reader.surely(IDLE)):
            text = "" if approved else "nothing is approved, or its outcome was told"
            tally.check(x.command.seat, approved, x.command, text)
        elif x.name in ASKS_OUTCOME and approved:
            tally.check(x.command.seat, False, x.command, "neither success nor failure was told")

    readers_of(judge).before_command.append(command)


class Waiting:
    """Readers that owe an answer within their own response time. A reader can only speak when asked, so it is late at
    the first POLL after that time which it answers without."""

    def __init__(self, tally, judge, starts, ends: tuple[str, ...], given_up: tuple[str, ...], what: str):
        self.tally, self.starts, self.ends, self.what = tally, starts, frozenset(ends), what
        self.given_up = frozenset(given_up)  # commands and answers after which nothing more is owed
        self.doubt = judge.links["bus"].uncertainty
        self._since: dict[str, list[int]] = {}  # seat -> [from when, when last asked in vain]

    def calls(self, judge) -> dict:
        """What to hear, for a rule."""
        return {"bus.answer.cashless": self.answered, "open": lambda: bool(self._since)} | resets(judge, lambda seat: self._since.pop(seat, None))

    def owe(self, seat: str, since: int) -> None:
        """From that tick on an answer is owed."""
        self._since.setdefault(seat, [since, since])

    def answered(self, x, h) -> None:
        """An answer of any device, and what it ends."""
        seat = x.seat
        if (seat not in self._since and not self.starts(x)) or not h.intact or x.kind == "nak":
            return
        names = {message.name for message in x.messages}
        if x.name in self.given_up or names & self.given_up:
            self._since.pop(seat, None)
            return
        since, vain = self._since.setdefault(seat, [x.command.end, x.command.end])
        limit = own_time(x.known)
        if limit is None:
            self.tally.unseen(seat, NO_SETUP)
            del self._since[seat]
        elif names & self.ends:
            del self._since[seat]
            took = h.start - since
            self._measure(seat, limit, took if took <= limit.high else vain - since, h, "")
        elif x.name == "POLL":
            self._since[seat][1] = x.command.start
            if x.command.start - since - self.doubt > limit.high:
                del self._since[seat]
                self._measure(seat, limit, x.command.start - since, h, f"no {self.what} yet")

    def _measure(self, seat: str, limit: Limit, value: int, h, text: str) -> None:
        count = self.tally.of(seat, limit)
        if count.limit.high == limit.high:
            count.measure(value, h, text)
        else:  # it told another response time than before
            count.check(value <= limit.high, h, text)


def _asked(*names: str):
    def starts(x) -> bool:
        return x.name in names and x.known.device.name == "cashless"

    return starts


@rule("CSH-ANSWER", judged="reader", link="bus", source="MDB/ICP 4.3 §7")
def vend_answered(tally, judge):
    """A VEND request ends in approved or denied within the reader's response time; a cancel or RESET ends it."""
    return Waiting(tally, judge, _asked("VEND REQUEST", "NEGATIVE VEND"), ("VEND APPROVED", "VEND DENIED", "END SESSION"),
                   ("RESET", "VEND CANCEL", "JUST RESET", "OUT OF SEQUENCE"), "answer to the vend request").calls(judge)  # fmt: skip


@rule("CSH-CLOSE", judged="controller reader", link="bus", source="MDB/ICP 4.3 §7")
def closed(tally, judge):
    """Every session ends with session complete (or RESET) and is not left open over 60 s after its last step;
    the reader says end session within its response time.
    """
    limit, out = judge.book.devices["cashless"].limits["session"], judge.links["bus"].out
    sessions = {}  # seat -> (end of its last step, that step, longest time between two steps)

    def step(reader, x):
        if not reader.in_session:
            over(reader.seat)
        else:
            longest = lasted(reader.seat, x.command.start)
            sessions[reader.seat] = (x.answer.end, x.command, longest)

    def lasted(seat, now):
        """The longest time between two steps, if this is one."""
        last, _, longest = sessions.get(seat, (now, None, 0))
        return max(longest, now - last)

    def over(seat, now=None):
        last, frame, _ = sessions.pop(seat, (judge.now, None, 0))
        length = (judge.now if now is None else now) - last
        if length > limit.high:
            tally.of(out, limit).measure(length, frame, f"{seat}: session left open, this was its last step")

    def command(reader, x):
        if x.name == "SESSION COMPLETE" and reader.surely(IDLE):
            tally.of(out, limit).measure(lasted(reader.seat, x.command.start), x.command)
            sessions.pop(reader.seat, None)

    def close(end):
        for seat in list(sessions):
            over(seat, end)

    readers = readers_of(judge)
    readers.before_command.append(command)
    readers.after.append(step)
    readers.lost.append(over)
    gives_up = ("RESET", "JUST RESET", "OUT OF SEQUENCE")
    ends = Waiting(tally, judge, _asked("SESSION COMPLETE"), ("END SESSION",), gives_up, "end session")
    calls = ends.calls(judge)
    return calls | {"end": close, "open": lambda: bool(sessions) or calls["open"]()}


class Clocks:
    """Times that run, one a seat: measured when they end, or where they ran too long and nothing ended them."""

    def __init__(self, judge, high: int, measure, text: str):
        self.judge, self.high, self.measure, self.text = judge, high, measure, text
        self._from: dict[str, object] = {}  # seat -> frame at whose end it begins

    def __contains__(self, seat: str) -> bool:
        return seat in self._from

    def run(self) -> bool:
        """Does any run?"""
        return bool(self._from)

    def begin(self, seat: str, frame) -> None:
        """It runs from the end of this frame, unless it runs already."""
        self._from.setdefault(seat, frame)

    def end(self, seat: str, frame) -> None:
        """What it waits for came."""
        begun = self._from.pop(seat, None)
        if begun is not None:
            self.measure(frame.start - begun.end, frame, "")

    def drop(self, seat: str, now: int | None = None) -> None:
        """It no longer counts; but if it was too long by now, it was."""
        begun = self._from.pop(seat, None)
        length = 0 if begun is None else (self.judge.now if now is None else now) - begun.end
        if length > self.high:
            self.measure(length, begun, self.text)

    def close(self, end: int) -> None:
        """Nothing more comes."""
        for seat in list(self._from):
            self.drop(seat, end)


@rule("CSH-ORDER", judged="reader controller", link="bus", limit="cashless.sequence")
def order(tally, judge):
    """A reader answers a command out of sequence with 0B within its response time; the controller answers 0B with
    RESET (that only warns).
    """
    calls: dict = {}
    for part in (_reset_follows(tally, judge), _told_out_of_sequence(tally, judge)):
        for kind, call in part.items():
            calls[kind] = _both(calls[kind], call) if kind in calls else call
    return calls


def _both(first, second):
    def call(*what):
        answers = first(*what), second(*what)
        return any(answers)

    return call


def _reset_follows(tally, judge) -> dict:
    out = judge.links["bus"].out
    clocks = Clocks(judge, tally.limit.high, lambda *what: tally.measure(out, *what), "no RESET follows")

    def command(reader, x):
        if x.name == "RESET":
            clocks.end(x.seat, x.command)

    def told(x):
        names = {message.name for message in x.messages} if delivered(x) else ()
        if "JUST RESET" in names:
            clocks.drop(x.seat)
        elif "OUT OF SEQUENCE" in names:
            clocks.begin(x.seat, x.answer)

    readers_of(judge).before_command.append(command)
    return {"bus.reply": told, "end": clocks.close, "open": clocks.run} | resets(judge, clocks.drop)


def _told_out_of_sequence(tally, judge) -> dict:
    readers = readers_of(judge)
    wrong = {}  # seat -> its last exchange whose command was out of sequence
    silent = {}  # seat -> that exchange, if it was silence between two answers
    talks = set()  # seats that answered the last command; never iterated

    def command(reader, x):
        if readers.machine.row(x.name).confidence != "C" and reader.legal(x.name, features_of(x)) is False:
            wrong[x.seat] = x

    def starts(x):
        enough = SAYS_ENOUGH.get(x.name)
        return wrong.get(x.seat) is x and not any(message.name == enough for message in x.messages)

    gives_up = ("RESET", "JUST RESET", "MALFUNCTION")
    waiting = Waiting(tally, judge, starts, ("OUT OF SEQUENCE",), gives_up, "out of sequence")

    def answered(x, h):
        before = silent.pop(x.seat, None)
        if before is not None:
            waiting.owe(x.seat, before.command.end)
        waiting.answered(x, h)

    def done(x):
        silent.pop(x.seat, None)
        if not x.answers and x.seat in talks and wrong.get(x.seat) is x and x.command.intact and not x.cut:
            silent[x.seat] = x
        (talks.add if x.answers else talks.discard)(x.seat)

    readers.before_command.append(command)
    readers.lost.append(lambda seat: silent.pop(seat, None))
    return waiting.calls(judge) | {"bus.answer.cashless": answered, "bus.done.cashless": done}


@rule("CSH-CANCEL", judged="controller", link="bus", limit="cashless.cancel")
def cancel_answered(tally, judge):
    """A cancel request, once the reader is in Session Idle, is answered by session complete."""
    out = judge.links["bus"].out
    clocks = Clocks(judge, tally.limit.high, lambda *what: tally.measure(out, *what), "no session complete follows")
    asked = set()  # seats with a cancel request that waits; never iterated

    def answer(reader, x, message):
        if message.name == "SESSION CANCEL REQUEST" and reader.in_session:
            asked.add(reader.seat)

    def after(reader, x):
        if not reader.in_session:
            forget(reader.seat)
        elif reader.seat in asked and reader.surely(IDLE):
            clocks.begin(reader.seat, x.answer)

    def command(reader, x):
        if x.name == "SESSION COMPLETE":
            clocks.end(reader.seat, x.command)
            asked.discard(reader.seat)
        elif x.name in ("VEND REQUEST", "NEGATIVE VEND", "REVALUE REQUEST"):
            clocks.drop(reader.seat)  # it counts from the end of this one

    def forget(seat):
        asked.discard(seat)
        clocks.drop(seat)

    readers = readers_of(judge)
    readers.before_answer.append(answer)
    readers.after.append(after)
    readers.before_command.append(command)
    readers.lost.append(forget)
    return {"end": clocks.close, "open": clocks.run}
