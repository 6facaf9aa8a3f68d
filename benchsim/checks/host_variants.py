"""Wrong hosts for the self-test: each has one fault, and one rule must catch it in one case.

They have a table of their own in the report: what we provoke on purpose is no verdict on us.
"""

from benchsim.checks.stage import Variant
from benchsim.events import ticks
from benchsim.links.kit_frames import wrap
from benchsim.seats.board import SALE
from benchsim.seats.host import Host


class Impatient(Host):
    """Tries again after 25 ms."""

    def __init__(self, *args):
        super().__init__(*args)
        self.asker._wait = ticks(0.025)


class Sleepy(Host):
    """Waits 150 ms for an answer."""

    def __init__(self, *args):
        super().__init__(*args)
        self.asker._wait = ticks(0.150)


class SlowPoller(Host):
    """POLLs every 400 ms."""

    def _choose(self, now):
        super()._choose(now)
        if self.up and self._next_poll - now > ticks(0.09):
            self._next_poll = max(self._next_poll, now + ticks(0.4))


class FastPoller(Host):
    """POLLs every 20 ms."""

    def _choose(self, now):
        self._next_poll = min(self._next_poll, now + ticks(0.02))
        super()._choose(now)


class FiveTries(Host):
    """Tries five times before it gives a request up."""

    def __init__(self, *args):
        super().__init__(*args)
        self.asker._most_tries = 5


class SameSeq(Host):
    """Never counts `seq` up."""

    def _choose(self, now):
        self.asker.seq = 6
        super()._choose(now)


class GivesUp(Host):
    """Once the link was lost, waits for ever."""

    lost = False

    def _link_down(self, now):
        super()._link_down(now)
        if self.lost:
            self._next_reset = now + ticks(3600)
        self.lost = True


class Hurried(Host):
    """RESETs every 100 ms while the link is down."""

    def _choose(self, now):
        super()._choose(now)
        if not self.up and self.asker.busy:
            self._next_reset = now + ticks(0.1)


class NoTable(Host):
    """Opens the sale without sending prices."""

    def _send_table(self):
        self.todo.append(("OPEN-SALE", {}))


class Forgetful(Host):
    """Takes no notice of BOOTED."""

    def _event_booted(self, fields):
        pass

    def _reopen(self):
        pass


class HalfTable(Host):
    """Leaves a hole in the price table."""

    def _send_table(self):
        super()._send_table()
        for name, fields in self.todo:
            if name == "PRICE-PART" and fields["first"] == 0:
                fields |= {"n": 4, "prices": fields["prices"][:4]}


class NeverEnough(Host):
    """Sends a refused price table again and again."""

    def _table_refused(self):
        self._price_tries = 0
        super()._table_refused()


class Generous(Host):
    """Vends whatever the credit is."""

    def may_sell(self, price):
        return self.state == SALE and self._waiting_for is None


class DoorBlind(Host):
    """Vends whatever the state is."""

    def may_sell(self, price):
        return self._waiting_for is None and self.credit >= price


class Overpriced(Host):
    """Asks for another price than the one in force."""

    def _sell(self, now):
        table = self.prices
        self.prices = [p + 5 for p in table]
        super()._sell(now)
        self.prices = table


class BadCheck(Host):
    """Now and then a frame with a wrong check."""

    said = 0

    def _say(self, wire, at):
        self.said += 1
        if self.said % 20 == 0:
            wire = wire[:-2] + bytes((wire[-2] ^ 0x01,)) + wire[-1:]
        return super()._say(wire, at)


class OpenEnded(Host):
    """A POLL with a payload."""

    def _say(self, wire, at):
        if wire[1] == 0x03:
            wire = wrap(self.spec, bytes((wire[1], self.asker.seq, 0)))
        return super()._say(wire, at)


class Restless(Host):
    """Vends at a touch that never ends."""

    def _finger_at(self, report, now):
        super()._finger_at(report, now)
        if self._finger and now - self._finger[0] > ticks(61):
            self.tapped(0, 0)


class Hasty(Host):
    """Gives unspent credit back unasked."""

    def _got_poll(self, status, fields, now):
        super()._got_poll(status, fields, now)
        if self.credit and self.state == SALE and not self.todo:
            self.todo.append(("REFUND", {}))


class TakesTwice(Host):
    """Adds coins up itself and takes an event offered again for a new one."""

    def _got_poll(self, status, fields, now):
        self._seen.forget()
        before = getattr(self, "sum", 0)
        super()._got_poll(status, fields, now)
        amounts = [e.fields["amount"] for e in fields.get("events", ()) if e.name == "CREDIT"]
        self.sum = self.credit = before + sum(amounts) if all(amounts) else self.credit


class Daunted(Host):
    """Starts anew with the board, but for the sale: that it opens once only."""

    starts = 0

    def _got_reset(self, status, fields, now):
        super()._got_reset(status, fields, now)
        self.starts += 1

    def _got_price_commit(self, status, fields, now):
        if self.starts < 2:
            super()._got_price_commit(status, fields, now)

    def _reopen(self):
        if self.starts < 2:
            super()._reopen()


class PanelBlind(Host):
    """Goes on as if nothing were wrong when the touch panel is silent."""

    def _causes(self, now):
        self.panel_heard = now + self.clock.skipped
        yield from super()._causes(now)


class Flattering(Host):
    """Shows twice the credit."""

    def show(self, said=None):
        true, self.credit = self.credit, self.credit * 2
        super().show(said)
        self.credit = true


class Cheerful(Host):
    """Looks as if it sold while the board is locked out."""

    def _causes(self, now):
        return iter(())


VARIANTS = (
    Variant(Impatient, "host", "answer-lost", "KIT-WAIT"),
    Variant(Sleepy, "host", "answer-lost", "KIT-WAIT"),
    Variant(SlowPoller, "host", "polling", "KIT-POLL-RATE"),
    Variant(FastPoller, "host", "polling", "KIT-POLL-RATE"),
    Variant(FiveTries, "host", "four-answers-lost", "KIT-RETRY"),
    Variant(SameSeq, "host", "polling", "KIT-SEQ"),
    Variant(GivesUp, "host", "board-silent", "KIT-RELINK"),
    Variant(Hurried, "host", "board-silent", "KIT-RELINK"),
    Variant(NoTable, "host", "start-up", "KIT-START"),
    Variant(Forgetful, "host", "quick-reboot", "KIT-START"),
    Variant(HalfTable, "host", "prices-refused", "KIT-PRICE-WHOLE"),
    Variant(NeverEnough, "host", "prices-refused", "KIT-PRICE-WHOLE"),
    Variant(Generous, "host", "tap-without-credit", "KIT-SALE-STATE"),
    Variant(Overpriced, "host", "sale-coin", "KIT-SALE-STATE"),
    Variant(DoorBlind, "host", "tap-locked-out", "KIT-LOCKOUT"),
    Variant(DoorBlind, "host", "tap-door-open", "KIT-LOCKOUT"),
    Variant(BadCheck, "host", "polling", "KIT-FRAME"),
    Variant(OpenEnded, "host", "polling", "KIT-SHAPE"),
    Variant(Hasty, "host", "idle-credit", "KIT-REFUND"),
    Variant(TakesTwice, "host", "events-again", "KIT-SALE-STATE"),
    Variant(Restless, "host", "stuck-touch", "PNL-STUCK"),
    Variant(Daunted, "host", "board-back", "SYS-RECOVER"),
    Variant(PanelBlind, "host", "panel-silent", "PNL-LOST"),
    Variant(Flattering, "host", "idle-credit", "SYS-TRUTH"),
    Variant(Cheerful, "host", "tap-locked-out", "SYS-TRUTH"),
)
