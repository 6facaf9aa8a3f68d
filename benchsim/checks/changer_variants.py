"""Changers for the self-test: wrong ones, each caught by one rule in one case, and odd ones that nobody may accuse."""

from typing import ClassVar

from benchsim.checks import device_variants as any_device
from benchsim.checks.device_legal import common
from benchsim.checks.device_variants import mixed
from benchsim.checks.stage import Variant
from benchsim.seats.changer import Changer


class TakesAll(Changer):
    """Takes coins of every type, enabled or not."""

    def takes(self, coin):
        return self.on


class StaysEnabled(Changer):
    """After a reset it still takes the types that were enabled."""

    def cleared(self):
        accept = getattr(self, "_accept", 0)
        super().cleared()
        self._accept = accept


class NextType(Changer):
    """Enables the types beside those that COIN TYPE names."""

    def _coin_type(self, accept, manual):
        return super()._coin_type(accept << 1, manual)


class LateDisabled(Changer):
    """Goes on taking coins for three seconds after they were disabled."""

    def _coin_type(self, accept, manual):
        if self._accept and not accept:
            self.after(3, super()._coin_type, accept, manual)
            return b""
        return super()._coin_type(accept, manual)


class Miscounts(Changer):
    """Its counts do not move when coins come."""

    def _count(self, coin):
        return min(super()._count(coin), self.settings["tubes"][coin] if coin < len(self.tubes) else 0)


class SetupByAck(Changer):
    """Answers SETUP by ACK."""

    def _setup(self):
        return b""


class NoTubes(Changer):
    """Answers TUBE STATUS without the bits of full tubes."""

    def _tube_status(self):
        return super()._tube_status()[:1]


class AnswersDispense(Changer):
    """Answers DISPENSE by data."""

    def _dispense(self, count, coin):
        return super()._dispense(count, coin) or bytes((count,))


# ---- odd, and legal


class AllSixteen(Changer):
    """Tells all sixteen values of SETUP and TUBE STATUS, zeros too."""

    SETTINGS: ClassVar[dict] = Changer.SETTINGS | {"trim": "none"}


class Trimmed(Changer):
    """Leaves off zeros at the end of its answers; the second tube is empty, the last coin type unused."""

    SETTINGS: ClassVar[dict] = Changer.SETTINGS | {"trim": "zeros", "credits": [1, 2, 4, 10, 20, 0], "tubes": [9, 0, 7, 0]}


class Tokens(Changer):
    """Knows a token, which has no value."""

    SETTINGS: ClassVar[dict] = Changer.SETTINGS | {"credits": [1, 2, 4, 10, 20, 255]}


class Hasty(Changer):
    """Coins fall and are paid in no time."""

    SETTINGS: ClassVar[dict] = Changer.SETTINGS | {"fall_s": 0.01, "coin_s": 0.01}


class NoOptions(Changer):
    """Level 3 without any of its features."""

    SETTINGS: ClassVar[dict] = Changer.SETTINGS | {"features": 0}


_WRONG = (
    (TakesAll, "coins-disabled", "CHG-ENABLED"),
    (StaysEnabled, "reset-then-coin", "CHG-ENABLED"),
    (NextType, "one-type-enabled", "CHG-ENABLED"),
    (LateDisabled, "coins-disabled", "CHG-ENABLED"),
    (Miscounts, "every-coin", "CHG-COUNT"),
    (SetupByAck, "start-up-level-2", "BUS-SHAPE"),
    (NoTubes, "start-up-level-3", "BUS-SHAPE"),
    (AnswersDispense, "dispense", "BUS-SHAPE"),
    *((mixed(getattr(any_device, fault), Changer), case, rule) for fault, case, rule in (
        ("Forgetful", "coin-not-taken", "BUS-REPEAT"),
        ("NewestFirst", "coin-not-taken", "BUS-REPEAT"),
        ("ForgetsAtCommands", "coin-between-commands", "BUS-REPEAT"),
        ("ResetLast", "resets", "BUS-JUST-RESET"),
        ("DeafToBreaks", "break-then-coin", "BUS-JUST-RESET"),
        ("DeafToReset", "reset-then-coin", "BUS-JUST-RESET"),
        ("ObeysBadSumsInSilence", "wrong-sum-enable", "CHG-ENABLED"),
        ("NeverGivesUp", "gap-enable", "CHG-ENABLED"),
        ("ShortAnswers", "close-commands", "BUS-SHAPE"),
    )),
)  # fmt: skip
_LEGAL = (
    (Trimmed, None),
    (NoOptions, None),
    (AllSixteen, None),
    (Tokens, "every-coin"),
    (Hasty, "payout-while-coins-come"),
)
VARIANTS = (
    *common("changer", Changer),
    *(Variant(make, "changer", case, rule) for make, case, rule in _WRONG),
    *(Variant(make, "changer", case) for make, case in _LEGAL),
)
