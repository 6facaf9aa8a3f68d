"""Where each cashless reader stands, as far as the traffic tells. Source: MDB/ICP 4.3 §7, state table in the
protocol file.

A command counts when the reader answered it, an answer when the controller acknowledged it. Where either may or
may not have arrived, or the capture began in the middle, a reader has several possible positions: a message is
out of order only if it is so in all of them.
"""

from benchsim.judge.bus_known import EVERY_FEATURE
from benchsim.judge.device_rules import delivered, resets

IDLE, ENDING = "Session Idle", "Session Idle (ending)"
APPROVED = frozenset({"Vend (approved)", "Negative Vend (approved)"})
SESSION = frozenset({IDLE, ENDING, "Vend", "Revalue", "Negative Vend"}) | APPROVED
UNKNOWN_FUNDS = (0xFFFF, 0xFFFFFFFF)
REFUNDS = 1  # option bit 0 of CONFIG


class Reader:
    """One reader. `positions`: all that it may have. Amounts in the units of the bus."""

    def __init__(self, seat: str, machine):
        self.seat, self._machine = seat, machine
        self.forget()

    def forget(self) -> None:
        """Nothing is known."""
        self.positions = self._machine.everywhere()
        self.refunds: bool | None = None
        self.disabled_at: int | None = None  # when an enabled reader was disabled
        self._untaken: set[str] = set()  # said, and perhaps heard; never iterated
        self._rest()

    def reset(self) -> None:
        """RESET or JUST RESET."""
        self.forget()
        self.positions = frozenset({self._machine.start})

    def _rest(self) -> None:
        """No session."""
        self.funds: int | None = None  # left of the session's; None: not known
        self._asked: dict = {}  # the vend or revalue under way: what it does to the funds

    # ---- questions

    def surely(self, *states: str) -> bool:
        """Is it in one of these states, whatever is not known?"""
        return all(at.state in states for at in self.positions)

    @property
    def in_session(self) -> bool:
        """Is a session open, whose end nobody asked for?"""
        return all(at.state in SESSION and at.state != ENDING for at in self.positions)

    @property
    def text(self) -> str:
        """Its state, for people."""
        names = dict.fromkeys(state for state in self._machine.all for at in self.positions if at.state == state)
        return " or ".join(names)

    def legal(self, name: str, features: int, answer: bool = False) -> bool | None:
        """Is a message in order? None where that is not known."""
        fits = self._machine.legal_in(self.positions, name, features, answer)
        return None if fits and len(fits) < len(self.positions) else bool(fits)

    def may_know(self, name: str) -> bool:
        """Was this said before, and only its acknowledgement not heard?"""
        return name in self._untaken

    # ---- what happens

    def _moved(self, name: str, features: int, answer: bool) -> frozenset:
        """Where a message leads. It was in order, if it can have been; else it may have led nowhere."""
        go = self._machine.go
        fits = self._machine.legal_in(self.positions, name, features, answer)
        moved = frozenset(go(at, name, answer) for at in fits or self.positions)
        return moved if fits else moved | self.positions

    def maybe(self, x, features: int) -> None:
        """A command that may have arrived, or not."""
        self.positions |= self._moved(x.name, features, False)
        self._note(x)

    def maybe_told(self, name: str, features: int) -> None:
        """An answer that may have been heard, or not."""
        self.positions |= self._moved(name, features, True)
        self._untaken.add(name)

    def _note(self, x) -> None:
        fields = x.message.fields
        if x.name in ("VEND REQUEST", "NEGATIVE VEND"):
            self._asked = {"sign": 1 if x.name == "NEGATIVE VEND" else -1, "amount": fields["price"]}
        elif x.name == "REVALUE REQUEST":
            self._asked = {"sign": 1, "amount": fields["amount"]}

    def command(self, x, features: int) -> None:
        """A command that the reader has answered, and not refused."""
        name, was = x.name, self.positions
        self.positions = self._moved(name, features, False)
        self._note(x)
        if name == "READER DISABLE" and any(at.state == "Enabled" for at in was):
            self.disabled_at = x.command.end
        elif name == "VEND SUCCESS":
            self._book()
        elif name == "VEND FAILURE" and (not self.refunds or any(m.name == "MALFUNCTION" for m in x.messages)):
            self.funds = None  # it may have kept the money

    def _book(self) -> None:
        if self.funds is not None and self._asked:
            self.funds += self._asked["sign"] * self._asked["amount"]
        self._asked = {}

    def told(self, x, message, features: int) -> None:
        """An answer that the controller has acknowledged."""
        name = message.name
        if name == "JUST RESET":
            self.reset()
            return
        if name == "OUT OF SEQUENCE":
            self._refused(x, message.fields.get("state"), features)
            return
        again = name in self._untaken  # maybe heard before, and only its acknowledgement was not: then it leads nowhere
        self._untaken.discard(name)
        if again and self.legal(name, features, True) is False:
            return
        moved = self._moved(name, features, True)
        self.positions = moved | self.positions if again else moved
        if name == "CONFIG":  # it may have refused the SETUP CONFIG before, as far as was heard, and obeyed it
            self.positions = self._moved("SETUP CONFIG", features, False)
            self.refunds = bool(message.fields["options"] & REFUNDS)
        elif name == "BEGIN SESSION":
            self._rest()
            self.funds = None if message.fields["funds"] in UNKNOWN_FUNDS else message.fields["funds"]
        elif name == "VEND APPROVED" and self._asked and message.fields["amount"] not in UNKNOWN_FUNDS:
            self._asked["amount"] = message.fields["amount"]
        elif name == "REVALUE APPROVED":
            self._book()
        elif name == "END SESSION":
            self._rest()

    def _refused(self, x, code: int | None, features: int) -> None:
        """Out of sequence. If that was no surprise nothing has changed; else the state that it tells, if it can be."""
        if x.name != "POLL" and self.legal(x.name, features) is False:
            return
        told = self._machine.of_code(code or 0)
        here = frozenset(at for at in self.positions if at.state in told)
        self.positions = here or self._machine.everywhere()
        self.funds = None


class Readers:
    """Follows all readers of a judge, once for all rules. Of each list every call is made:

    before_command(reader, x), before_answer(reader, x, message): what is said next, the reader as it was; no POLL
    after(reader, x): an exchange moved it, or may have
    lost(seat): a RESET, a break, a loss of power
    """

    def __init__(self, judge):
        self.judge, self.machine = judge, judge.book.devices["cashless"].machine
        self.before_command, self.before_answer, self.after, self.lost = [], [], [], []
        self.readers: dict[str, Reader] = {}
        self._applied: dict[str, object] = {}  # seat -> the exchange whose command has counted
        calls = {"bus.command.cashless": self._command, "bus.answer.cashless": self._answered,
                 "bus.reply": self._reply, "bus.done.cashless": self._done} | resets(judge, self._broken)  # fmt: skip
        for kind, call in calls.items():
            judge.calls(kind).append(call)

    def of(self, x) -> Reader | None:
        """The reader spoken to."""
        known = x.known
        if known is None or known.device is None or known.device.name != "cashless" or x.message is None:
            return None
        reader = self.readers.get(x.seat)
        if reader is None:
            reader = self.readers[x.seat] = Reader(x.seat, self.machine)
        return reader

    def _lose(self, seat: str) -> None:
        for call in self.lost:
            call(seat)

    def _broken(self, seat: str) -> None:
        if seat in self.readers:
            self.readers[seat].forget()
            self._lose(seat)

    def _command(self, x) -> None:
        if x.name == "POLL" or x.repeat:
            return
        reader = self.of(x)
        if reader:
            for call in self.before_command:
                call(reader, x)

    def _answered(self, x, h) -> None:
        if x.name == "POLL" and not x.unfit:
            return
        reader = self.of(x)
        if not reader or not h.intact or x.kind == "nak":
            return
        if self._applied.get(x.seat) is not x:
            self._applied[x.seat] = x
            self._obeyed(reader, x)
        if x.kind == "ack":
            for call in self.after:
                call(reader, x)

    def _obeyed(self, reader: Reader, x) -> None:
        if x.name == "RESET":
            reader.reset()
            self._lose(x.seat)
        elif x.unfit and x.kind == "answer":
            reader.forget()
        elif any(message.name == "MALFUNCTION" for message in x.messages) and x.name != "VEND FAILURE":
            reader.maybe(x, features_of(x))
        elif not any(message.name == "OUT OF SEQUENCE" for message in x.messages):
            reader.command(x, features_of(x))

    def _reply(self, x) -> None:
        reader = self.of(x)
        if not reader or not delivered(x):
            return
        for message in x.messages:
            for call in self.before_answer:
                call(reader, x, message)
            reader.told(x, message, features_of(x))
        for call in self.after:
            call(reader, x)

    def _done(self, x) -> None:
        reader = self.of(x)
        if not reader or x.kind == "nak":
            return
        if x.answer is None or not x.answer.intact:
            if self._applied.get(x.seat) is not x and x.command.intact:
                reader.maybe(x, features_of(x))
        elif x.offered and not (x.reply and x.reply.intact):
            for message in x.messages:
                reader.maybe_told(message.name, features_of(x))


def features_of(x) -> int:
    """Feature bits enabled at a device; where that is not known, every one may be."""
    return EVERY_FEATURE if x.known.enabled is None else x.known.enabled


def readers_of(judge) -> Readers:
    """The one follower of a judge."""
    if judge.readers is None:
        judge.readers = Readers(judge)
    return judge.readers
