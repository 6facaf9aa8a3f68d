"""Card readers for the self-test: wrong ones, each caught by one rule in one case, and odd ones that nobody may accuse."""

from typing import ClassVar

from benchsim.checks import device_variants as any_device
from benchsim.checks.device_legal import common
from benchsim.checks.device_variants import mixed
from benchsim.checks.stage import Variant
from benchsim.seats.cashless import Cashless


class Uninvited(Cashless):
    """Begins a session while it is disabled."""

    @property
    def takes(self):
        return self.on and not self.card_in


class ApprovesTwice(Cashless):
    """Tells every approval a second time."""

    twice = False

    def taken(self, name):
        super().taken(name)
        self.twice = name == "VEND APPROVED" and not self.twice
        if self.twice:
            self.report("VEND APPROVED", amount=self._price // self.settings["scale"])


class Hesitates(Cashless):
    """Denies the vend when it has approved it."""

    def taken(self, name):
        super().taken(name)
        if name == "VEND APPROVED":
            self.report("VEND DENIED")


class NeverAnswers(Cashless):
    """Never answers VEND REQUEST."""

    def __init__(self, *args, **more):
        super().__init__(*args, **more)
        self.never_answers = True


class Undecided(Cashless):
    """Takes 5.5 s to decide, and told a response time of 5 s."""

    SETTINGS: ClassVar[dict] = Cashless.SETTINGS | {"decide_s": 5.5}


class NeverCloses(Cashless):
    """Says ACK to SESSION COMPLETE, and never END SESSION."""

    def _complete(self):
        return b""


class ClosesLate(Cashless):
    """Tells END SESSION after 5.5 s, and told a response time of 5 s."""

    SETTINGS: ClassVar[dict] = Cashless.SETTINGS | {"close_s": 5.5}


class Obliging(Cashless):
    """Says ACK to commands that are out of sequence."""

    def _out_of_sequence(self):
        return b""


class Speechless(Cashless):
    """Is silent to commands that are out of sequence."""

    def _out_of_sequence(self):
        return None


class Narrow(Cashless):
    """Tells amounts of 16 bits where 32 are enabled."""

    def report(self, name, **fields):
        mode, self.bus.mode = self.bus.mode, self.bus.mode._replace(wide=False)
        for more in ("language", "currency", "options") if name == "BEGIN SESSION" else ():
            fields.pop(more, None)
        super().report(name, **{key: min(value, 0xFFFE) if type(value) is int else value for key, value in fields.items()})
        self.bus.mode = mode


class WideUnasked(Cashless):
    """Tells amounts of 32 bits that nobody has enabled."""

    def report(self, name, **fields):
        mode = self.bus.mode
        if name == "BEGIN SESSION":
            self.bus.mode = mode._replace(wide=True)
            fields |= {"language": "en", "currency": self.settings["currency"], "options": 0}
        super().report(name, **fields)
        self.bus.mode = mode


class NoState(Cashless):
    """Tells no state with OUT OF SEQUENCE, though its level is 2 or 3."""

    def _out_of_sequence(self):
        self._events.append(b"\x0b")
        return self._offer() if len(self._events) == 1 else b""


# ---- odd, and legal


class InPoll(Cashless):
    """Says ACK first and gives every answer in a later POLL."""

    def reply(self, name, **fields):
        self.report(name, **fields)
        return b""


class AtOnce(Cashless):
    """Decides in no time, and answers at once."""

    SETTINGS: ClassVar[dict] = Cashless.SETTINGS | {"decide_s": 0}


class Thorough(Cashless):
    """Takes nearly its response time for everything."""

    SETTINGS: ClassVar[dict] = Cashless.SETTINGS | {"decide_s": 1.8, "close_s": 1.8, "response_s": 2}


class Scaled(Cashless):
    """Counts in units of five."""

    SETTINGS: ClassVar[dict] = Cashless.SETTINGS | {"scale": 5}


class OneVend(Cashless):
    """Allows one vend in a session, and gives no money back."""

    SETTINGS: ClassVar[dict] = Cashless.SETTINGS | {"multivend": False, "refunds": False}


_WRONG = (
    (Uninvited, "disabled", "CSH-STATE"),
    (ApprovesTwice, "vend", "CSH-STATE"),
    (Hesitates, "vend", "CSH-STATE"),
    (NeverAnswers, "vend", "CSH-ANSWER"),
    (Undecided, "vend", "CSH-ANSWER"),
    (NeverCloses, "vend", "CSH-CLOSE"),
    (ClosesLate, "no-vend", "CSH-CLOSE"),
    (Obliging, "disorder-enabled", "CSH-ORDER"),
    (Obliging, "disorder-session", "CSH-ORDER"),
    (Speechless, "disorder-disabled", "CSH-ORDER"),
    (Narrow, "wide-money", "CSH-MONEY-WIDTH"),
    (WideUnasked, "wide-money-offered", "CSH-MONEY-WIDTH"),
    (NoState, "disorder-vend", "BUS-SHAPE"),
    *((mixed(getattr(any_device, fault), Cashless), case, rule) for fault, case, rule in (
        ("Forgetful", "approval-not-taken", "BUS-REPEAT"),
        ("ResetLast", "resets", "BUS-JUST-RESET"),
        ("DeafToBreaks", "break-then-card", "BUS-JUST-RESET"),
        ("DeafToReset", "reset-then-card", "BUS-JUST-RESET"),
        ("ObeysBadSumsInSilence", "wrong-sum-enable", "CSH-STATE"),
        ("ShortAnswers", "start-up-level-3", "BUS-SHAPE"),
    )),
)  # fmt: skip
_LEGAL = (
    (InPoll, None),
    (AtOnce, None),
    (Thorough, "vend"),
    (Thorough, "disabled-in-session"),
    (Scaled, "negative-vend"),
    (OneVend, None),
)
_SECOND = ("AnswersAll", "Late", "Obliging", "NeverAnswers", "AtTheLimit", "Thorough")  # enough at the other address


def variants(seat: str) -> tuple[Variant, ...]:
    """Those for a reader at one address; of the second only a few, as the cases are the same."""
    every = (
        *common(seat, Cashless),
        *(Variant(make, seat, case, rule) for make, case, rule in _WRONG),
        *(Variant(make, seat, case) for make, case in _LEGAL),
    )
    return every if seat == "cashless1" else tuple(one for one in every if one.make.__name__ in _SECOND)
