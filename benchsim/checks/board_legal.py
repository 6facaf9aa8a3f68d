"""Boards that are odd but legal: nothing may fail because of them.

Each plays the cases in which its habit shows, not the whole plan.
"""

from benchsim.checks.board_variants import with_desks, with_master
from benchsim.checks.stage import Variant
from benchsim.events import TICKS_PER_MS, ticks
from benchsim.links.bus import BusMaster, Outcome
from benchsim.seats.board import Board
from benchsim.seats.changer_desk import ChangerDesk
from benchsim.seats.payment import PaymentBus
from benchsim.seats.payment_desks import ValidatorDesk, Wish
from benchsim.seats.reader_desk import ReaderDesk


class QuickPolls(Board):
    """Polls every 26 ms."""

    class PAYMENT(PaymentBus):
        INTERVAL = 26 * TICKS_PER_MS


class SeldomPolls(Board):
    """Polls every 140 ms, and up to 200 when the bus is busy."""

    class PAYMENT(PaymentBus):
        INTERVAL = 140 * TICKS_PER_MS


class SlowAnswers(Board):
    """Answers the host after 19 ms."""

    def __init__(self, *args, **more):
        super().__init__(*args, **more)
        self.tricks.append(self._later)

    def _later(self, name, body, wire, at):
        return lambda: self.line.say("board", tuple(wire), at + 17 * TICKS_PER_MS)


class AsksAgain(Board):
    """Has every data block of up to 16 bytes said once more before it acknowledges it."""

    class Master(BusMaster):
        again = False

        def reply(self, data):
            self.again = not self.again and len(data) <= 16
            return self._bus.ret if self.again else self._bus.ack

        def _end(self, outcome):
            self.again = False
            super()._end(outcome)

    PAYMENT = with_master(Master)


class ResetsTwice(Board):
    """Resets every device a second time when it has told that it was reset."""

    class PAYMENT(PaymentBus):
        def __init__(self, *args):
            super().__init__(*args)
            for desk in self.desks.values():
                desk._just_reset = _once_more(desk, desk._just_reset)


def _once_more(desk, go_on):
    told = [0]

    def just_reset():
        told[0] += 1
        if told[0] == 1:
            desk.forget()
        else:
            go_on()

    return just_reset


class _Again:
    """A desk that says a step every half second, when nothing else is to be said."""

    STEP = ""
    said = 0

    def wishes(self):
        wish = super().wishes()
        if wish is None and self.clock.now() - self.said >= ticks(0.5):
            self.said = self.clock.now()
            return Wish(self.STEP, self.fields(self.STEP))
        return wish


class EnablesAgain(Board):
    """Says every half second again what is enabled."""

    class Changer(_Again, ChangerDesk):
        STEP = "COIN TYPE"

    class Validator(_Again, ValidatorDesk):
        STEP = "BILL TYPE"

    class Reader(ReaderDesk):
        said = 0

        def _at_rest(self):
            wish = super()._at_rest()
            if wish is None and self.clock.now() - self.said > ticks(0.5):
                self.said = self.clock.now()
                return Wish("READER ENABLE" if self.enabled else "READER DISABLE")
            return wish

    PAYMENT = with_desks(changer=Changer, validator=Validator, cashless1=Reader)


class Dispenses(Board):
    """Pays a level-3 changer's coins type by type, as at level 2."""

    class Changer(ChangerDesk):
        def on_identification(self, **_):
            self._alternative = 0

    PAYMENT = with_desks(changer=Changer)


class SearchesOften(Board):
    """Looks for absent devices four times a second."""

    class PAYMENT(PaymentBus):
        DESKS = {
            seat: type(desk.__name__, (desk,), {"SEARCH": ticks(0.25)}) for seat, desk in PaymentBus.DESKS.items()
        }


class StacksAtOnce(Board):
    """Lets no bill wait in escrow."""

    class Validator(ValidatorDesk):
        def _escrow_mask(self):
            return 0

    PAYMENT = with_desks(validator=Validator)


class CountsTubes(Board):
    """Asks for the tubes every second."""

    class Changer(ChangerDesk):
        TUBES_EVERY = ticks(1.0)

    PAYMENT = with_desks(changer=Changer)


class SingleVend(Board):
    """Ends a card's session after each product."""

    class PAYMENT(PaymentBus):
        multivend = False


class NoResets(Board):
    """Leaves it to the break to reset the devices at its start, and polls them at once."""

    class PAYMENT(PaymentBus):
        def __init__(self, *args):
            super().__init__(*args)
            for desk in self.desks.values():
                desk.reset_wanted = False


class OldReader(Board):
    """Speaks level 2 with every reader."""

    class Reader(ReaderDesk):
        def fields(self, step):
            values = super().fields(step)
            return values | {"level": 2} if step == "SETUP CONFIG" else values

    PAYMENT = with_desks(cashless1=Reader)


class OneTry(Board):
    """Asks for no bad answer again: the next POLL will do."""

    class Master(BusMaster):
        def _repeat(self):
            self._half.forget()
            self._end(Outcome("broken"))

    PAYMENT = with_master(Master)


def _legal(board: type[Board], *cases: str) -> tuple[Variant, ...]:
    return tuple(Variant(board, "board", case) for case in cases)


VARIANTS = (
    *_legal(QuickPolls, "quiet-bus", "answers-corrupt", "silent-long-changer", "sale-bill", "sale-card", "harness-cut"),
    *_legal(SeldomPolls, "quiet-bus", "sale-coins", "sale-card", "silent-short-changer"),
    *_legal(SlowAnswers, "kit-start", "kit-repeats", "kit-vend-repeated", "kit-silence", "kit-corrupt", "sale-coins"),
    *_legal(AsksAgain, "quiet-bus", "answers-corrupt", "sale-bill", "sale-card", "coin-storm", "lever-twice"),
    *_legal(ResetsTwice, "quiet-bus", "start-reader-3-wide", "just-reset-changer", "added-later", "sale-card"),
    *_legal(EnablesAgain, "quiet-bus", "sale-coins", "sale-bill", "sale-card", "stacker-fills-up"),
    *_legal(Dispenses, "start-changer-3", "sale-bill", "poor-tubes", "busy-in-payout", "reset-in-payout"),
    *_legal(SearchesOften, "quiet-bus", "never-there", "added-later", "unplugged-validator"),
    *_legal(StacksAtOnce, "start-validator-1", "sale-bill", "bill-in-vend", "exact-change"),
    *_legal(SingleVend, "sale-card", "card-multivend", "two-readers", "mixed-cash-and-card"),
    *_legal(NoResets, "quiet-bus", "never-there", "added-later", "just-reset-validator"),
    *_legal(OldReader, "start-reader-1", "start-reader-3", "start-reader-3-wide", "card-wide"),
    *_legal(OneTry, "answers-corrupt", "answers-without-end", "two-talk", "card-disturbed", "bill-disturbed"),
    *_legal(CountsTubes, "sale-bill", "poor-tubes", "jam-in-payout", "coin-storm"),
)
