"""Validators for the self-test: wrong ones, each caught by one rule in one case, and odd ones that nobody may accuse."""

from typing import ClassVar

from benchsim.checks import device_variants as any_device
from benchsim.checks.device_legal import common
from benchsim.checks.device_variants import mixed
from benchsim.checks.stage import Variant
from benchsim.seats.validator import Validator


class TakesAll(Validator):
    """Takes bills of every type, enabled or not."""

    def cleared(self):
        super().cleared()
        self._enable = 0xFFFF

    def _bill_type(self, enable, escrow):
        return super()._bill_type(0xFFFF, escrow)


class StaysEnabled(Validator):
    """After a reset it still takes the types that were enabled."""

    def cleared(self):
        enable = getattr(self, "_enable", 0)
        super().cleared()
        self._enable = enable


class NextType(Validator):
    """Enables the types beside those that BILL TYPE names."""

    def _bill_type(self, enable, escrow):
        return super()._bill_type(enable << 1, escrow << 1)


class NeverDecides(Validator):
    """Says ACK to ESCROW and keeps the bill where it is."""

    def _escrow(self, stack):
        return b""


class Sticky(Validator):
    """Takes 31 s to move a bill."""

    SETTINGS: ClassVar[dict] = Validator.SETTINGS | {"move_s": 31.0}


class SilentStacker(Validator):
    """Stacks the bill and does not tell."""

    def _moved(self, route):
        events = list(self._events)
        super()._moved(route)
        self._events[:] = events


class SetupByAck(Validator):
    """Answers SETUP by ACK."""

    def _setup(self):
        return b""


class HalfStacker(Validator):
    """Answers STACKER by one byte."""

    def _stacker(self):
        return super()._stacker()[1:]


class OddEscrow(Validator):
    """Its SETUP answer says neither yes nor no to the escrow."""

    def _setup(self):
        data = super()._setup()
        return data[:10] + b"\x01" + data[11:]


# ---- odd, and legal


class AllSixteen(Validator):
    """Tells all sixteen credits, zeros too."""

    SETTINGS: ClassVar[dict] = Validator.SETTINGS | {"trim": "none"}


class Tokens(Validator):
    """Knows a bill without a value; level 2."""

    SETTINGS: ClassVar[dict] = Validator.SETTINGS | {"credits": [5, 10, 20, 255], "level": 2}


class TellsDisabled(Validator):
    """Tells in each POLL that it is disabled, and every bill that it turned away."""

    SETTINGS: ClassVar[dict] = Validator.SETTINGS | {"tells_disabled": True, "disabled_as": "bill"}


class SlowMover(Validator):
    """Takes 29 s to move a bill."""

    SETTINGS: ClassVar[dict] = Validator.SETTINGS | {"move_s": 29.0}


_WRONG = (
    (TakesAll, "bills-disabled", "BIL-ENABLED"),
    (StaysEnabled, "reset-then-bill", "BIL-ENABLED"),
    (NextType, "one-type-enabled", "BIL-ENABLED"),
    (NeverDecides, "bill-stacked", "BIL-ESCROW"),
    (Sticky, "bill-returned", "BIL-ESCROW"),
    (SilentStacker, "bill-stacked", "BIL-ESCROW"),
    (SetupByAck, "start-up-level-1", "BUS-SHAPE"),
    (HalfStacker, "close-commands", "BUS-SHAPE"),
    (OddEscrow, "start-up-level-2", "BUS-SHAPE"),
    *((mixed(getattr(any_device, fault), Validator), case, rule) for fault, case, rule in (
        ("Forgetful", "bill-not-taken", "BUS-REPEAT"),
        ("ForgetsAtCommands", "bill-between-commands", "BUS-REPEAT"),
        ("ResetLast", "resets", "BUS-JUST-RESET"),
        ("DeafToBreaks", "break-then-bill", "BUS-JUST-RESET"),
        ("DeafToReset", "reset-then-bill", "BUS-JUST-RESET"),
        ("ObeysBadSumsInSilence", "wrong-sum-enable", "BIL-ENABLED"),
        ("NeverGivesUp", "gap-enable", "BIL-ENABLED"),
        ("ShortAnswers", "close-commands", "BUS-SHAPE"),
    )),
)  # fmt: skip
_LEGAL = (
    (TellsDisabled, None),
    (AllSixteen, None),
    (Tokens, "every-bill"),
    (SlowMover, "bill-stacked"),
    (SlowMover, "bill-returned"),
)
VARIANTS = (
    *common("validator", Validator),
    *(Variant(make, "validator", case, rule) for make, case, rule in _WRONG),
    *(Variant(make, "validator", case) for make, case in _LEGAL),
)
