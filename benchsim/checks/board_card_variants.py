"""Wrong boards for the self-test, towards card readers: each has one fault, and one rule must catch it in one case."""

from benchsim.checks.board_variants import with_desks
from benchsim.checks.stage import Variant
from benchsim.events import ticks
from benchsim.seats.board import Board
from benchsim.seats.payment import PaymentBus
from benchsim.seats.payment_desks import Wish
from benchsim.seats.reader_desk import ReaderDesk


class EnablesFirst(Board):
    """Enables the reader before it has told the prices."""

    class Reader(ReaderDesk):
        START = ("SETUP CONFIG", "READER ENABLE", *ReaderDesk.START[1:])

        def fields(self, step):
            return {} if step == "READER ENABLE" else super().fields(step)

    PAYMENT = with_desks(cashless1=Reader)


class AsksWithoutSession(Board):
    """Asks for a sale though no card is in the reader."""

    class Reader(ReaderDesk):
        asked = False

        def _at_rest(self):
            if self.enabled and not self.asked:
                self.asked = True
                return Wish("VEND REQUEST", {"price": 100, "item": 0}, once=True)
            return super()._at_rest()

    PAYMENT = with_desks(cashless1=Reader)


class Greedy(Board):
    """Asks the card for ten times the price."""

    class Reader(ReaderDesk):
        def request(self, price, item):
            super().request(price * 10, item)

    PAYMENT = with_desks(cashless1=Reader)


class NoOutcome(Board):
    """Never tells the reader whether the product was delivered."""

    class Reader(ReaderDesk):
        def settle(self, delivered):
            self._step(None)

    PAYMENT = with_desks(cashless1=Reader)


class TwoOutcomes(Board):
    """Tells the reader that the product was delivered, then that it was not."""

    class Reader(ReaderDesk):
        def done(self, wish, kind):
            super().done(wish, kind)
            if wish.name == "VEND SUCCESS" and kind == "ack":
                self._step("failure")

    PAYMENT = with_desks(cashless1=Reader)


class LeavesOpen(Board):
    """Never ends a session by itself."""

    class Reader(ReaderDesk):
        IDLE = AFTER_VEND = ticks(3600.0)

    PAYMENT = with_desks(cashless1=Reader)


class KeepsCard(Board):
    """Takes no notice of a card that is pulled out."""

    class Reader(ReaderDesk):
        def on_session_cancel_request(self):
            pass

    PAYMENT = with_desks(cashless1=Reader)


class Unmoved(Board):
    """Goes on as if nothing were wrong when the reader says that a command was out of sequence."""

    class Reader(ReaderDesk):
        def on_out_of_sequence(self, state=0):
            self._step(None)
            self.tell("denied")

    PAYMENT = with_desks(cashless1=Reader)


class Narrow(Board):
    """Enables 32-bit money, and asks for a sale with 16 bits."""

    class PAYMENT(PaymentBus):
        def _send(self, desk, wish):
            mode = desk.mode
            desk.mode = mode._replace(wide=mode.wide and wish.name != "VEND REQUEST")
            super()._send(desk, wish)
            desk.mode = mode


VARIANTS = (
    Variant(EnablesFirst, "board", "quiet-bus", "CSH-START"),
    Variant(AsksWithoutSession, "board", "quiet-bus", "CSH-STATE"),
    Variant(Greedy, "board", "sale-card", "CSH-FUNDS"),
    Variant(NoOutcome, "board", "card-single", "CSH-OUTCOME"),
    Variant(TwoOutcomes, "board", "sale-card", "CSH-OUTCOME"),
    Variant(LeavesOpen, "board", "card-left", "CSH-CLOSE"),
    Variant(KeepsCard, "board", "card-pulled-idle", "CSH-CANCEL"),
    Variant(Unmoved, "board", "card-out-of-sequence", "CSH-ORDER"),
    Variant(Narrow, "board", "card-wide", "CSH-MONEY-WIDTH"),
)
