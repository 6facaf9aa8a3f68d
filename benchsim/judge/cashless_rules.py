"""Cashless readers: states, sessions and money. Source: MDB/ICP 4.3 §7.

    Inactive ─ both SETUPs ─► Disabled ─ READER enable ─► Enabled ─ begin session ─► Session Idle ─► Vend …
    … ─► Session Idle ─ session complete, 07 ─► Enabled        READER disable ─► Disabled, after the session

A command counts when the reader answered it, an answer when the controller acknowledged it. Where either
may or may not have arrived the state is not known, and nothing is judged until it is known again.
"""

from benchsim.events import TICKS_PER_SECOND
from benchsim.judge.core import rule
from benchsim.judge.device_rules import delivered, resets

INACTIVE, DISABLED, ENABLED, IDLE, VEND, APPROVED, REVALUE, ENDING = (
    "Inactive", "Disabled", "Enabled", "Session Idle", "Vend", "Vend (approved)", "Revalue", "Session Idle (ending)",
)  # fmt: skip
ALWAYS_IDLE = 5  # feature bit
IN_SESSION = {IDLE, VEND, APPROVED, REVALUE, ENDING}

# In which states the controller may say what. What is not listed it may say always.
COMMANDS = {
    "VEND REQUEST": {IDLE}, "NEGATIVE VEND": {IDLE}, "REVALUE REQUEST": {IDLE}, "REVALUE LIMIT": {IDLE},
    "VEND CANCEL": {VEND}, "VEND SUCCESS": {APPROVED}, "VEND FAILURE": {APPROVED},
    "SESSION COMPLETE": {IDLE, ENDING},
}  # fmt: skip
# In which states the reader may say what.
ANSWERS = {
    "BEGIN SESSION": {ENABLED}, "VEND APPROVED": {VEND}, "VEND DENIED": {VEND},
    "REVALUE APPROVED": {REVALUE}, "REVALUE DENIED": {REVALUE, IDLE},
    "SESSION CANCEL REQUEST": IN_SESSION, "END SESSION": IN_SESSION | {ENABLED},
}  # fmt: skip
# Where an answer leads; END SESSION leads to Enabled or Disabled.
LEADS = {"BEGIN SESSION": IDLE, "VEND APPROVED": APPROVED, "VEND DENIED": IDLE,
         "REVALUE APPROVED": IDLE, "REVALUE DENIED": IDLE, "JUST RESET": INACTIVE}  # fmt: skip
AFTER = {"VEND REQUEST": VEND, "NEGATIVE VEND": VEND, "VEND SUCCESS": IDLE, "VEND FAILURE": IDLE,
         "REVALUE REQUEST": REVALUE, "SESSION COMPLETE": ENDING}  # fmt: skip


class Reader:
    """One reader. `state` is None where it is not known."""

    def __init__(self, seat: str):
        self.seat = seat
        self.forget()

    def forget(self) -> None:
        """Nothing is known."""
        self.state: str | None = None
        self.wanted: bool | None = None  # READER enable was the last word
        self.setups: set[str] = set()
        self.funds: int | None = None  # left of the session's; None: not known
        self.price: int | None = None  # of the vend under way

    def reset(self) -> None:
        """RESET or break."""
        self.forget()
        self.state, self.wanted = INACTIVE, False

    def rest(self) -> None:
        """No session."""
        self.funds = self.price = None
        if self.state != INACTIVE:
            self.state = {True: ENABLED, False: DISABLED}.get(self.wanted)

    def command(self, x) -> None:
        """A command that the reader has answered."""
        name = x.name
        if name in ("READER ENABLE", "READER DISABLE"):
            self.wanted = name == "READER ENABLE"
            if self.state not in IN_SESSION and self.state != INACTIVE:
                self.rest()
        elif name == "SETUP PRICES":
            self.set_up(name)
        elif name in AFTER and self.state is not None:
            self.state = AFTER[name]
            self.price = x.message.fields.get("price", self.price)
            if name == "VEND SUCCESS" and self.funds is not None and self.price is not None:
                self.funds -= self.price

    def set_up(self, step: str) -> None:
        """One of the two SETUPs is done."""
        self.setups.add(step)
        if self.state == INACTIVE and len(self.setups) == 2:
            self.state = DISABLED

    def told(self, message, known) -> None:
        """An answer that the controller has acknowledged."""
        name = message.name
        if name == "JUST RESET":
            self.reset()
        elif name == "CONFIG":
            self.set_up("SETUP CONFIG")
        elif name == "END SESSION":
            self.rest()
        elif name in LEADS:
            self.state = LEADS[name]
        if name == "BEGIN SESSION":
            funds = message.fields["funds"]
            self.funds = None if funds in (0xFFFF, 0xFFFFFFFF) else funds
        elif name == "VEND APPROVED" and message.fields["amount"] not in (0xFFFF, 0xFFFFFFFF):
            self.price = message.fields["amount"]
        elif name.startswith("REVALUE"):
            self.funds = None


class Readers:
    """Follows all readers. `before_command(reader, x)` and `before_answer(reader, x, message)` see the state
    as it was; `after(reader, x)` once it is up to date."""

    def __init__(self, judge, before_command=None, before_answer=None, after=None, lost=None):
        self.judge = judge
        self._before_command, self._before_answer, self._after, self._lost = before_command, before_answer, after, lost
        self.readers: dict[str, Reader] = {}

    def of(self, x) -> Reader | None:
        """The reader spoken to."""
        if x.known is None or x.known.device is None or x.known.device.name != "cashless" or x.message is None:
            return None
        return self.readers.setdefault(x.seat, Reader(x.seat))

    def calls(self) -> dict:
        """What to hear, for a rule."""
        return {"bus.command": self._command, "bus.answer": self._answered, "bus.reply": self._reply,
                "bus.done": self._done} | resets(self.judge, self._broken)  # fmt: skip

    def _broken(self, seat: str) -> None:
        if seat in self.readers:
            self.readers[seat].forget()
            if self._lost:
                self._lost(seat)

    def _command(self, x) -> None:
        reader = self.of(x)
        if reader and self._before_command and not x.repeat:
            self._before_command(reader, x)

    def _answered(self, x, h) -> None:
        reader = self.of(x)
        if not reader or not h.intact or x.kind == "nak" or x.again:
            return
        if x.name == "RESET":
            reader.reset()
            if self._lost:
                self._lost(x.seat)
        elif not any(message.name == "OUT OF SEQUENCE" for message in x.messages):
            reader.command(x)
        if x.kind == "ack" and self._after:
            self._after(reader, x)

    def _reply(self, x) -> None:
        reader = self.of(x)
        if not reader or not delivered(x):
            return
        for message in x.messages:
            if self._before_answer:
                self._before_answer(reader, x, message)
            reader.told(message, x.known)
        if self._after:
            self._after(reader, x)

    def _done(self, x) -> None:
        reader = self.of(x)
        if not reader:
            return
        unsure = x.answer is None or not x.answer.intact or x.kind == "nak"
        if unsure and (x.name in AFTER or x.name in COMMANDS or x.name == "RESET") and x.kind != "nak":
            reader.state = None
        if unsure and x.name in ("READER ENABLE", "READER DISABLE"):
            reader.wanted = None
            reader.state = reader.state if reader.state in IN_SESSION else None


def _always_idle(x) -> bool:
    return x.known.enabled is None or bool(x.known.enabled >> ALWAYS_IDLE & 1)


@rule("CSH-STATE", judged="controller reader", link="bus", source="MDB/ICP 4.3 §7")
def legal_in_state(tally, judge):
    """Every command and every answer is legal in the reader's state."""

    def command(reader, x):
        allowed = COMMANDS.get(x.name)
        if allowed is None or reader.state is None or (x.name == "VEND REQUEST" and _always_idle(x)):
            return
        ok = reader.state in allowed
        tally.check(x.command.seat, ok, x.command, "" if ok else f"{reader.seat} is in {reader.state}")

    def answer(reader, x, message):
        allowed = ANSWERS.get(message.name)
        if allowed is None or reader.state is None or len(x.messages) > 1:
            return
        ok = reader.state in allowed
        # A session may begin, and be on its way, while the reader is being disabled.
        ok = ok or (message.name == "BEGIN SESSION" and reader.state == DISABLED and bool(reader.setups))
        tally.check(reader.seat, ok, x.answer, "" if ok else f"{message.name} in {reader.state}")

    return Readers(judge, command, answer).calls()


@rule("CSH-FUNDS", judged="controller", link="bus", source="MDB/ICP 4.3 §7")
def within_funds(tally, judge):
    """No VEND request goes above what is left of the session's funds, where those are known."""

    def command(reader, x):
        if x.name == "VEND REQUEST" and reader.state == IDLE and reader.funds is not None and not _always_idle(x):
            price = x.message.fields["price"]
            tally.check(x.command.seat, price <= reader.funds, x.command, f"{price} of {reader.funds} left")

    return Readers(judge, command).calls()


@rule("CSH-OUTCOME", judged="controller", link="bus", source="MDB/ICP 4.3 §7")
def one_outcome(tally, judge):
    """Each vend approved is followed by exactly one of success or failure."""

    def command(reader, x):
        if x.name in ("VEND SUCCESS", "VEND FAILURE") and reader.state in (APPROVED, IDLE):
            ok = reader.state == APPROVED
            tally.check(x.command.seat, ok, x.command, "" if ok else "nothing is approved, or its outcome was told")
        elif x.name in ("VEND REQUEST", "SESSION COMPLETE", "VEND CANCEL") and reader.state == APPROVED:
            tally.check(x.command.seat, False, x.command, "neither success nor failure was told")

    return Readers(judge, command).calls()


def _in_time(tally, judge, asks: tuple[str, ...], ends: tuple[str, ...], what: str) -> dict:
    """The calls of a rule "after `asks` one of `ends` comes within the reader's response time". A reader can
    only speak when asked, so it is late at the first POLL after that time which it answers without."""
    waiting = {}  # seat -> the command

    def answered(x, h):
        if not x.message or not x.known.device or x.known.device.name != "cashless" or not h.intact:
            return
        names = [message.name for message in x.messages]
        asked = waiting.get(x.seat)
        if x.name in asks and x.kind != "nak" and asked is None and "OUT OF SEQUENCE" not in names:
            asked = waiting[x.seat] = x
        elif x.name in ("RESET", "VEND CANCEL") or "JUST RESET" in names or "OUT OF SEQUENCE" in names:
            waiting.pop(x.seat, None)
            return
        if asked is None:
            return
        allowed = x.known.response_s * TICKS_PER_SECOND
        if not allowed:
            tally.unseen(x.seat, "the reader's SETUP answer was not heard, so its response time is not known")
            waiting.pop(x.seat)
        elif any(name in ends for name in names):
            waiting.pop(x.seat)
            tally.check(x.seat, True, h)
        elif x.command.start - asked.command.end - judge.links["bus"].uncertainty > allowed and x.name == "POLL":
            waiting.pop(x.seat)
            after = (x.command.start - asked.command.end) / TICKS_PER_SECOND
            tally.check(x.seat, False, h, f"no {what} after {after:.1f} s, at most {x.known.response_s} s")

    return {"bus.answer": answered} | resets(judge, lambda seat: waiting.pop(seat, None))


@rule("CSH-ANSWER", judged="reader", link="bus", source="MDB/ICP 4.3 §7")
def vend_answered(tally, judge):
    """A VEND request ends in approved or denied within the reader's response time; a cancel or RESET ends it."""
    return _in_time(tally, judge, ("VEND REQUEST", "NEGATIVE VEND"), ("VEND APPROVED", "VEND DENIED", "END SESSION"),
                    "answer to the vend request")  # fmt: skip


@rule("CSH-CLOSE", judged="controller reader", link="bus", source="MDB/ICP 4.3 §7")
def closed(tally, judge):
    """Every session ends with session complete (or RESET) and is not left open over 60 s after its last step;
    the reader says end session within its response time.
    """
    limit = judge.book.devices["cashless"].limits["session"].high
    steps = {}  # seat -> number of its last step while a session is open
    count = [0]

    def step(reader, x):
        if reader.state not in IN_SESSION - {ENDING}:
            steps.pop(reader.seat, None)
        elif x.name != "POLL" or x.messages:
            count[0] += 1
            steps[reader.seat] = count[0]
            judge.at(judge.now + limit, overdue, reader.seat, count[0], x)

    def overdue(seat, number, x):
        if steps.get(seat) == number:
            tally.check(x.command.seat, False, x.command, f"{seat}: session left open, this was its last step", warn=True)

    def command(reader, x):
        if x.name == "SESSION COMPLETE" and reader.state == IDLE:
            tally.check(x.command.seat, True, x.command)

    calls = Readers(judge, command, after=step, lost=lambda seat: steps.pop(seat, None)).calls()
    for kind, call in _in_time(tally, judge, ("SESSION COMPLETE",), ("END SESSION",), "end session").items():
        calls[kind] = _both(calls[kind], call) if kind in calls else call
    return calls


def _both(first, second):
    def call(*what):
        first(*what)
        second(*what)

    return call


@rule("CSH-ORDER", judged="controller", link="bus", limit="cashless.sequence")
def reset_after_disorder(tally, judge):
    """The controller answers out of sequence with RESET."""
    limit = judge.book.devices["cashless"].limits["sequence"].high
    since = {}  # seat -> the answer

    def told(x):
        if delivered(x) and any(message.name == "OUT OF SEQUENCE" for message in x.messages) and x.seat not in since:
            since[x.seat] = x.answer
            judge.at(x.answer.end + limit + judge.links["bus"].uncertainty, overdue, x.seat, x.answer)

    def overdue(seat, answer):
        if since.get(seat) is answer:
            since.pop(seat)
            tally.check(judge.links["bus"].out, False, answer, "no RESET follows")

    def command(x):
        if x.name == "RESET" and x.seat in since:
            tally.measure(x.command.seat, x.command.start - since.pop(x.seat).end, x.command)

    return {"bus.reply": told, "bus.command": command} | resets(judge, lambda seat: since.pop(seat, None))


@rule("CSH-CANCEL", judged="controller", link="bus", limit="cashless.cancel")
def cancel_answered(tally, judge):
    """A cancel request, once the reader is in Session Idle, is answered by session complete."""
    limit = judge.book.devices["cashless"].limits["cancel"].high
    asked = set()  # seats with a cancel request that waits; never iterated
    since = {}  # seat -> the answer or command from which the time counts

    def answer(reader, x, message):
        if message.name == "SESSION CANCEL REQUEST" and reader.state in IN_SESSION - {ENDING}:
            asked.add(reader.seat)

    def after(reader, x):
        seat = reader.seat
        if reader.state not in IN_SESSION:
            asked.discard(seat)
            since.pop(seat, None)
        elif seat in asked and reader.state == IDLE and seat not in since:
            since[seat] = x.answer
            judge.at(x.answer.end + limit + judge.links["bus"].uncertainty, overdue, seat, x.answer)

    def overdue(seat, answer):
        if since.get(seat) is answer:
            forget(seat)
            tally.check(judge.links["bus"].out, False, answer, "no session complete follows")

    def command(reader, x):
        if x.name == "SESSION COMPLETE" and x.seat in since:
            tally.measure(x.command.seat, x.command.start - since[x.seat].end, x.command)
            forget(x.seat)
        elif x.name == "VEND REQUEST":
            since.pop(x.seat, None)  # it counts from the end of this vend

    def forget(seat):
        asked.discard(seat)
        since.pop(seat, None)

    return Readers(judge, command, answer, after, lost=forget).calls()
