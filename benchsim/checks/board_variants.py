"""Wrong boards for the self-test, on the payment bus: each has one fault, and one rule must catch it in one case.

Those that are wrong on the kit link or with the money stand in `board_kit_variants`, towards
card readers in `board_card_variants`, the legal but odd ones in
`board_legal`. They have tables of their own in the report: what we provoke on purpose is no verdict on us.
"""

from benchsim.checks.stage import Variant
from benchsim.events import MODE, TICKS_PER_MS, ticks
from benchsim.links.bus import BusMaster, Outcome
from benchsim.schema.bus import Mode
from benchsim.seats.board import Board
from benchsim.seats.changer_desk import ChangerDesk
from benchsim.seats.payment import PaymentBus
from benchsim.seats.payment_desks import Desk, ValidatorDesk
from benchsim.seats.reader_desk import ReaderDesk

EVERY = 16  # a master that spoils some of its commands spoils one of so many
ALL_TYPES = 0xFFFF


def with_desks(**desks: type[Desk]) -> type[PaymentBus]:
    """A payment bus with other desks at some seats."""

    class Other(PaymentBus):
        DESKS = PaymentBus.DESKS | desks

    return Other


def with_master(master: type[BusMaster]) -> type[PaymentBus]:
    """A payment bus with another master."""

    class Other(PaymentBus):
        MASTER = master

    return Other


# ---- words and timing


class _Spoiling(BusMaster):
    """Changes one command of a few."""

    count = 0

    def ask_words(self, words, done, gaps=()):
        self.count += 1
        super().ask_words(self.spoilt(words) if self.count % EVERY == 0 else words, done, gaps)


class ModeOnEnd(Board):
    """Sets the mode bit on the last word of some commands too."""

    class Master(_Spoiling):
        def spoilt(self, words):
            return (*words[:-1], words[-1] | MODE)

    PAYMENT = with_master(Master)


class WrongSum(Board):
    """Counts the checksum of some commands wrong."""

    class Master(_Spoiling):
        def spoilt(self, words):
            return (*words[:-1], words[-1] + 1 & 0xFF)

    PAYMENT = with_master(Master)


class SlowBits(Board):
    """Sends 3 % too slow."""

    class Master(BusMaster):
        def _send(self, words, at, gaps=()):
            length = self._line.word_ticks * 103 // 100
            burst = self._line.say(self._seat, words, at, gaps, word=length)
            self._wait(burst.end + self._patience)

    PAYMENT = with_master(Master)


class Halting(Board):
    """Pauses 1.5 ms between the words of a command."""

    class Master(BusMaster):
        def _send(self, words, at, gaps=()):
            pause = 3 * TICKS_PER_MS // 2
            super()._send(words, at, (0,) + (pause,) * (len(words) - 1))

    PAYMENT = with_master(Master)


class NoAck(Board):
    """Leaves every third data block without an answer."""

    class Master(BusMaster):
        count = 0

        def reply(self, data):
            self.count += 1
            return None if self.count % 3 == 0 else super().reply(data)

    PAYMENT = with_master(Master)


class LateAck(Board):
    """Acknowledges data after 7 ms."""

    class PAYMENT(PaymentBus):
        PAUSE = 10 * TICKS_PER_MS

        def __init__(self, *args):
            super().__init__(*args)
            self.master.turnaround = 7 * TICKS_PER_MS


class ShortBreak(Board):
    """Holds the break for 90 ms only."""

    class PAYMENT(PaymentBus):
        BREAK_MARGIN = -10 * TICKS_PER_MS


class Unsettled(Board):
    """Speaks 150 ms after the break."""

    class PAYMENT(PaymentBus):
        SETTLE_MARGIN = -50 * TICKS_PER_MS


class TalksInto(Board):
    """Goes on after 5 ms though a device is just answering."""

    class Master(BusMaster):
        def _late(self):
            self._timer = None
            self._end(Outcome("silence"))

    PAYMENT = with_master(Master)


class SeldomPolls(Board):
    """Polls every 300 ms."""

    class PAYMENT(PaymentBus):
        INTERVAL = ticks(0.3)


# ---- patience, levels


class ResetsEarly(Board):
    """Resets a changer that has been silent for half a second."""

    class Changer(ChangerDesk):
        def __init__(self, *args):
            super().__init__(*args)
            self.patience = ticks(0.3)

    PAYMENT = with_desks(changer=Changer)


class ResetsLater(Board):
    """Resets a reader that has been silent for half a second."""

    class Reader(ReaderDesk):
        def on_config(self, **config):
            super().on_config(**config)
            self.patience = ticks(0.3)

    PAYMENT = with_desks(cashless1=Reader)


class GivesUp(Board):
    """Never again asks a changer that was silent for too long."""

    class Changer(ChangerDesk):
        SEARCH = ticks(3600.0)

    PAYMENT = with_desks(changer=Changer)


class LevelBlind(Board):
    """Asks a changer of level 2 for what only level 3 has."""

    class Changer(ChangerDesk):
        def fields(self, step):
            self.mode = Mode(3)
            return super().fields(step)

    PAYMENT = with_desks(changer=Changer)


# ---- changer


class CoinsFirst(Board):
    """Enables coins before it knows what they are worth."""

    class Changer(ChangerDesk):
        START = ("COIN TYPE", *ChangerDesk.START)

        def fields(self, step):
            if step == "COIN TYPE" and not self.values:
                self._sent = ALL_TYPES
                return {"accept": ALL_TYPES, "manual": 0}
            return super().fields(step)

    PAYMENT = with_desks(changer=Changer)


class Overdraws(Board):
    """Pays with the largest coin, whether there are any or not."""

    class Changer(ChangerDesk):
        def _plan(self, amount):
            plan = [0] * len(self.tubes)
            if plan and self.values:
                best = max(range(len(plan)), key=lambda coin: self.values[coin])
                plan[best] = amount // self.values[best]
            return plan

    PAYMENT = with_desks(changer=Changer)


class PaysWhileBusy(Board):
    """Asks for the next payout while the changer is still paying the last."""

    class Changer(ChangerDesk):
        def polled(self, messages):
            super().polled(messages)
            self.busy = False

    PAYMENT = with_desks(changer=Changer)


class LeverDeaf(Board):
    """Takes no notice of the return lever."""

    class Changer(ChangerDesk):
        def on_escrow_request(self):
            pass

    PAYMENT = with_desks(changer=Changer)


# ---- bill validator


class BillsFirst(Board):
    """Enables bills before it knows what they are worth."""

    class Validator(ValidatorDesk):
        START = ("BILL TYPE", *ValidatorDesk.START)

        def fields(self, step):
            if step == "BILL TYPE" and not self.values:
                self._sent = ALL_TYPES
                return {"enable": ALL_TYPES, "escrow": ALL_TYPES}
            return super().fields(step)

    PAYMENT = with_desks(validator=Validator)


class StacksTwice(Board):
    """Says ESCROW again and again until the bill is stacked."""

    class Validator(ValidatorDesk):
        ESCROW_AGAIN = ticks(0.2)

        def done(self, wish, kind):
            super().done(wish, kind)
            self._acked = False

        def on_busy(self):
            pass

    PAYMENT = with_desks(validator=Validator)


class CreditsEscrow(Board):
    """Gives credit for a bill that is still in escrow."""

    class Validator(ValidatorDesk):
        def on_bill(self, route, bill):
            if route == 1:
                self.tell("credit", source="bill", amount=self.values[bill])
            super().on_bill(route, bill)

    PAYMENT = with_desks(validator=Validator)


class Overfills(Board):
    """Goes on taking bills with a full stacker."""

    class Validator(ValidatorDesk):
        def on_stacker(self, full, count):
            super().on_stacker(0, count)

    PAYMENT = with_desks(validator=Validator)


VARIANTS = (
    Variant(ModeOnEnd, "board", "quiet-bus", "BUS-MODE-OUT"),
    Variant(WrongSum, "board", "quiet-bus", "BUS-SUM-OUT"),
    Variant(SlowBits, "board", "quiet-bus", "BUS-RATE"),
    Variant(Halting, "board", "quiet-bus", "BUS-GAP"),
    Variant(NoAck, "board", "quiet-bus", "BUS-ACK"),
    Variant(LateAck, "board", "quiet-bus", "BUS-ACK"),
    Variant(ShortBreak, "board", "quiet-bus", "BUS-BREAK"),
    Variant(Unsettled, "board", "quiet-bus", "BUS-SETTLE"),
    Variant(TalksInto, "board", "quiet-bus", "BUS-OVERLAP"),
    Variant(SeldomPolls, "board", "quiet-bus", "BUS-POLL-RATE"),
    Variant(ResetsEarly, "board", "silent-short-changer", "BUS-PATIENCE"),
    Variant(ResetsLater, "board", "silent-short-cashless1", "BUS-PATIENCE"),
    Variant(GivesUp, "board", "unplugged-changer", "BUS-PATIENCE"),
    Variant(LevelBlind, "board", "start-changer-2", "BUS-UNDERSTOOD"),
    Variant(CoinsFirst, "board", "quiet-bus", "CHG-START"),
    Variant(Overdraws, "board", "dispense-many", "CHG-PAYOUT"),
    Variant(PaysWhileBusy, "board", "dispense-slowly", "CHG-PAYOUT"),
    Variant(LeverDeaf, "board", "lever-with-credit", "CHG-RETURN"),
    Variant(BillsFirst, "board", "quiet-bus", "BIL-START"),
    Variant(StacksTwice, "board", "sale-bill", "BIL-ESCROW-ONCE"),
    Variant(CreditsEscrow, "board", "start-validator-1", "BIL-CREDIT"),
    Variant(Overfills, "board", "stacker-fills-up", "BIL-FULL"),
)
