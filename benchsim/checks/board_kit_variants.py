"""Wrong boards for the self-test, on the kit link and with the money: one fault each, caught by one rule."""

from benchsim.checks.board_asker import gap_in_the_middle
from benchsim.checks.stage import Variant
from benchsim.events import TICKS_PER_MS
from benchsim.links.kit_frames import wrap
from benchsim.links.kit_sides import Answerer
from benchsim.seats.board import OK, WRONG_STATE, Board
from benchsim.seats.changer_desk import ChangerDesk
from benchsim.seats.payment import PaymentBus
from benchsim.seats.till import DELIVERED, Till

EVERY = 8  # a board that spoils some of its answers spoils one of so many


class _Spoiling(Board):
    """Says one answer of a few in its own way: `spoilt(body, wire, at)`."""

    every = EVERY
    count = 0

    def __init__(self, *args, **more):
        super().__init__(*args, **more)
        self.tricks.append(self._trick)

    def _trick(self, name, body, wire, at):
        self.count += 1
        return None if self.count % self.every else lambda: self.spoilt(body, wire, at)

    def say(self, wire, at, gaps=()):
        self.line.say("board", tuple(wire), at, gaps)


# ---- frames and answers


class WrongCheck(_Spoiling):
    """Counts the check of some frames wrong."""

    def spoilt(self, body, wire, at):
        self.say(wire[:-2] + bytes((wire[-2] ^ 0x01,)) + wire[-1:], at)


class EscapesAll(_Spoiling):
    """Escapes bytes that need no escape."""

    def spoilt(self, body, wire, at):
        self.say(wire[:1] + bytes((0x7D, wire[1] ^ 0x20)) + wire[2:], at)


class Halting(_Spoiling):
    """Pauses 15 ms in the middle of some frames."""

    def spoilt(self, body, wire, at):
        self.say(wire, at, gap_in_the_middle(wire, 15))


class Slow(_Spoiling):
    """Starts some answers 25 ms after the request."""

    def spoilt(self, body, wire, at):
        self.say(wire, at + 23 * TICKS_PER_MS)


class WrongSeq(_Spoiling):
    """Gives some answers the number of the request before."""

    def spoilt(self, body, wire, at):
        self.say(wrap(self.spec, bytes((body[0], (body[1] - 1) % 256)) + body[2:]), at)


class SaysTwice(_Spoiling):
    """Says some answers twice."""

    def spoilt(self, body, wire, at):
        self.say(wire, at)
        self.say(wire, at + len(wire) * self.line.word_ticks + TICKS_PER_MS)


class ShortPoll(_Spoiling):
    """Leaves the last byte of some answers out."""

    def spoilt(self, body, wire, at):
        self.say(wrap(self.spec, body[:-1] if len(body) > 3 else body), at)


class TakesAnything(Board):
    """Says ok to operations that it does not know."""

    def _serve(self, body, now):
        answer = super()._serve(body, now)
        return answer if body[0] in self.spec.operations else answer[:2] + bytes((OK,))


class LengthBlind(Board):
    """Does not look at the length of a request, and says "not in this state" where it cannot read one."""

    def _serve(self, body, now):
        answer = super()._serve(body, now)
        return answer[:2] + bytes((WRONG_STATE,)) if answer[2:] == b"\x01" else answer


class TakesBadFrames(Board):
    """Takes a request though its check is wrong."""

    class ANSWERER(Answerer):
        def hear(self, burst):
            for frame in self.reader.feed(burst):
                readable = frame.broken in ((), ("check",)) and len(frame.body) > 1
                if readable and not self.spec.turned(frame.body, out=True):
                    self._request(frame)


class DoesTwice(Board):
    """Takes a repeated request for a new one."""

    class ANSWERER(Answerer):
        def _request(self, frame):
            self._last_request = None
            super()._request(frame)


class SellsClosed(Board):
    """Sells in whatever state it is."""

    def _refused(self, name):
        return OK if name == "VEND" and self.memory.prices else super()._refused(name)


class OpensUnpriced(Board):
    """Opens the sale though no price table was sent in this session."""

    def _refused(self, name):
        return OK if name == "OPEN-SALE" and self.identified else super()._refused(name)


class Coy(Board):
    """Says "not in this state" when it is asked for its counters, unless the sale is open."""

    def _refused(self, name):
        return WRONG_STATE if name == "COUNTERS" and not self.sale else super()._refused(name)


# ---- events, prices, watchdog


class ForgetsEvents(Board):
    """Takes an event for delivered as soon as it was offered."""

    def _op_poll(self, request):
        answer = super()._op_poll(request)
        self.queue._waiting.clear()
        return answer


class Renumbers(Board):
    """Gives an event a new number whenever it is offered again."""

    def _op_poll(self, request):
        self.shift = getattr(self, "shift", 0) + 1
        status, fields = super()._op_poll(request)
        events = [e._replace(number=(e.number + self.shift) % 256) for e in fields["events"]]
        return status, fields | {"events": events}


class NewestFirst(Board):
    """Offers its events in the wrong order."""

    def _op_poll(self, request):
        status, fields = super()._op_poll(request)
        return status, fields | {"events": list(reversed(fields["events"]))}


class TakesParts(Board):
    """Puts each part of a price table in force as it comes."""

    def _op_price_part(self, request):
        answer = super()._op_price_part(request)
        first, prices = request.fields["first"], request.fields["prices"]
        if answer[0] == OK and self.memory.prices:
            self.memory.prices[first : first + len(prices)] = prices
        return answer


class TakesBadTable(Board):
    """Takes a price table whatever its check says."""

    def _op_price_commit(self, request):
        if self.staged is not None and len(self.staged) == self.coils.rows * self.coils.columns:
            check = self.spec.check.of(b"".join(p.to_bytes(2, "big") for p in self.staged))
            request = request._replace(fields={"check": check})
        return super()._op_price_commit(request)


class SellsOn(Board):
    """Leaves the sale open when the host falls silent."""

    def _watch(self):
        sale = self.sale
        super()._watch()
        self.sale = sale


class LostTwice(Board):
    """Tells twice that the host was silent."""

    def _heard(self, now):
        lost = self._link_lost
        super()._heard(now)
        if lost:
            self.queue.add("LINK-LOST", ms=2100)


class NeverLost(Board):
    """Leaves the sale when the host falls silent, and does not tell."""

    def _heard(self, now):
        self._link_lost = False
        super()._heard(now)


# ---- money and coils


class CreditsTwice(Board):
    """Counts every coin twice."""

    class PAYMENT(PaymentBus):
        class Changer(ChangerDesk):
            def on_coin_deposited(self, route, coin, tube):
                super().on_coin_deposited(route, coin, tube)
                super().on_coin_deposited(route, coin, tube)

        DESKS = PaymentBus.DESKS | {"changer": Changer}


class SkimsChange(Board):
    """Pays five too little when the lever is pressed."""

    class TILL(Till):
        def refund(self):
            self.board.memory.cash = max(0, self.board.memory.cash - 5)
            return super().refund()


class ForgetsCredit(Board):
    """Loses the credit with its supply."""

    def power_off(self):
        super().power_off()
        self.memory.cash = 0


class KeepsPrice(Board):
    """Keeps the price of a product that did not fall."""

    class TILL(Till):
        def _end_vend(self, outcome):
            if outcome != DELIVERED:
                self._vend = (*self._vend[:2], 0, self._vend[3])
            super()._end_vend(outcome)


class ChargesAnyway(Board):
    """Has the card charged for a product that did not fall."""

    class PAYMENT(PaymentBus):
        def vend_failure(self):
            self.vend_success()


class SaysDelivered(Board):
    """Takes every turn of a coil for a delivery."""

    class TILL(Till):
        def _end_vend(self, outcome):
            super()._end_vend(DELIVERED)


class TurnsTwice(Board):
    """Turns the coil a second time."""

    class TILL(Till):
        def _turn(self):
            self._turning = True
            row, column = self._vend[:2]
            coils = self.board.coils
            coils.turn(row, column, lambda outcome: coils.turn(row, column, self._end_vend))


class TurnsNeighbour(Board):
    """Turns the coil beside the one that was asked for."""

    class TILL(Till):
        def _turn(self):
            self._turning = True
            row, column = self._vend[:2]
            self.board.coils.turn(row, column + 1, self._end_vend)


class DoorBlind(Board):
    """Lets a coil turn on when the door opens."""

    class TILL(Till):
        def interrupt(self):
            pass


class SellsToHands(Board):
    """Sells with the door open."""

    def door(self, is_open):
        self.trace.happening("machine", "door", open=is_open)
        self.queue.add("DOOR", open=int(is_open))


VARIANTS = (
    Variant(WrongCheck, "board", "kit-start", "KIT-FRAME"),
    Variant(EscapesAll, "board", "kit-start", "KIT-FRAME"),
    Variant(Halting, "board", "kit-start", "KIT-GAP"),
    Variant(Slow, "board", "kit-start", "KIT-ANSWER"),
    Variant(WrongSeq, "board", "kit-start", "KIT-ANSWER"),
    Variant(SaysTwice, "board", "kit-start", "KIT-QUIET"),
    Variant(ShortPoll, "board", "kit-start", "KIT-SHAPE"),
    Variant(TakesAnything, "board", "kit-unknown", "KIT-SHAPE"),
    Variant(LengthBlind, "board", "kit-wrong-length", "KIT-SHAPE"),
    Variant(TakesBadFrames, "board", "kit-corrupt", "KIT-BAD-INERT"),
    Variant(DoesTwice, "board", "kit-vend-repeated", "KIT-ONCE"),
    Variant(DoesTwice, "board", "kit-table-repeated", "KIT-ONCE"),
    Variant(DoesTwice, "board", "kit-vend-retold", "KIT-ONCE"),
    Variant(SellsClosed, "board", "kit-reset-in-sale", "KIT-STATUS"),
    Variant(OpensUnpriced, "board", "kit-reset-in-sale", "KIT-STATUS"),
    Variant(Coy, "board", "kit-start", "KIT-STATUS"),
    Variant(ForgetsEvents, "board", "kit-events-lost", "KIT-EVENTS-KEPT"),
    Variant(Renumbers, "board", "kit-events-lost", "KIT-EVENTS-KEPT"),
    Variant(NewestFirst, "board", "kit-never-taken", "KIT-EVENTS-KEPT"),
    Variant(TakesParts, "board", "kit-half-table", "KIT-PRICE-WHOLE"),
    Variant(TakesBadTable, "board", "kit-bad-commit", "KIT-PRICE-WHOLE"),
    Variant(SellsOn, "board", "kit-silence", "KIT-WATCHDOG"),
    Variant(LostTwice, "board", "kit-silence", "KIT-WATCHDOG"),
    Variant(NeverLost, "board", "kit-silence", "KIT-WATCHDOG"),
    Variant(CreditsTwice, "board", "lever-with-credit", "SYS-MONEY"),
    Variant(SkimsChange, "board", "sale-coins", "SYS-MONEY"),
    Variant(ForgetsCredit, "board", "power-cut-idle", "SYS-MONEY"),
    Variant(KeepsPrice, "board", "no-drop-cash", "SYS-PAID-OR-DELIVERED"),
    Variant(ChargesAnyway, "board", "no-drop-card", "SYS-PAID-OR-DELIVERED"),
    Variant(SaysDelivered, "board", "no-drop-cash", "SYS-PAID-OR-DELIVERED"),
    Variant(TurnsTwice, "board", "kit-vend", "SYS-ONE-COIL"),
    Variant(TurnsNeighbour, "board", "kit-vend", "SYS-ONE-COIL"),
    Variant(DoorBlind, "board", "door-in-vend", "SYS-DOOR"),
    Variant(SellsToHands, "board", "vend-with-door-open", "SYS-DOOR"),
)
