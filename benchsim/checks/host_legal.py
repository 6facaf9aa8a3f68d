"""Hosts that use the kit link in an unusual way and within its limits: no rule may accuse them.

Each class names what the kit link reference allows it to do.
"""

import copy
from typing import ClassVar

from benchsim.checks.stage import Variant
from benchsim.events import ticks
from benchsim.seats.board import PRICED, SALE
from benchsim.seats.host import Host


def _kept(limit, time: int):
    """A limit as a host keeps it that takes its own time for the nominal one, right or wrong."""
    return limit._replace(nominal=time, low=min(limit.low, time))


class Odd(Host):
    """Times of its own, in seconds. The limits themselves are legal: POLL 50 to 250 ms, wait 40 to 100 ms,
    RESET every 500 to 1000 ms."""

    times: ClassVar[dict[str, float]] = {}

    def __init__(self, spec, *args, **kwargs):
        own = copy.copy(spec)
        own.limits = spec.limits | {name: _kept(spec.limits[name], ticks(time)) for name, time in self.times.items()}
        super().__init__(own, *args, **kwargs)


class Eager(Odd):
    """POLLs every 51 ms, tries again after 41 ms, RESETs every 501 ms."""

    times: ClassVar[dict[str, float]] = {"poll": 0.051, "wait": 0.041, "reset": 0.501}


class Calm(Odd):
    """POLLs every 249 ms, waits 99 ms, RESETs every 999 ms. Asks nothing else when a POLL is soon due."""

    times: ClassVar[dict[str, float]] = {"poll": 0.249, "wait": 0.099, "reset": 0.999}

    def _choose(self, now):
        if not self.up or now >= self._next_poll or self._next_poll - now > ticks(0.06):
            super()._choose(now)


class AtTheLowLimits(Odd):
    """A value at its limit is legal."""

    times: ClassVar[dict[str, float]] = {"poll": 0.050, "wait": 0.040, "reset": 0.500}


class AtTheHighLimits(Calm):
    """A value at its limit is legal."""

    times: ClassVar[dict[str, float]] = {"poll": 0.250, "wait": 0.100, "reset": 1.000}


class Wrapping(Host):
    """Begins at seq 250, so that it comes past 255 in the start-up. RESET may carry any seq."""

    def power_on(self):
        self.asker.seq = 249
        super().power_on()


class Leaping(Host):
    """A RESET with a seq far from the last."""

    def _choose(self, now):
        before = self.asker.seq
        if not self.up and now >= self._next_reset:
            self.asker.seq = (before + 77) % 256
        super()._choose(now)


class SmallParts(Host):
    """The price table in parts of five, a POLL after each. The host polls on while it sends a table."""

    def _send_table(self):
        before = list(self.todo)
        super()._send_table()
        table = self.table()
        begin, commit = self.todo[len(before)], self.todo[-1]
        self.todo.clear()
        self.todo.extend([*before, begin])
        for first in range(0, len(table), 5):
            part = table[first : first + 5]
            self.todo.append(("PRICE-PART", {"first": first, "n": len(part), "prices": part}))
            self.todo.append(("POLL", {}))
        self.todo.append(commit)


class Curious(Host):
    """Asks for everything that may be asked in between, before and after the sale is opened."""

    asked = 0

    def _got_ident(self, status, fields, now):
        super()._got_ident(status, fields, now)
        self.todo.appendleft(("SETPOINT", {"duty": 2, "tenths": 40}))
        self.todo.extendleft([("COUNTERS", {}), ("CLOCK", {"utc": self.utc})])

    def _got_price_commit(self, status, fields, now):
        if not status:
            self.todo.append(("PRICE-READ", {"first": 0, "n": 2}))
        super()._got_price_commit(status, fields, now)

    def _got_poll(self, status, fields, now):
        super()._got_poll(status, fields, now)
        self.asked += 1
        if self.selling and self.state == SALE and not self.todo:
            reads = ("PRICE-READ", {"first": 1, "n": 3}), ("COUNTERS", {}), ("CLOCK", {"utc": self.utc})
            self.todo.append(reads[self.asked % 3])


class StartsAnew(Host):
    """Sends RESET by itself every 2.3 s and starts up as a whole. RESET is allowed in any state."""

    def power_on(self):
        self.again = self.clock.now() + ticks(2.3)
        super().power_on()

    def _choose(self, now):
        if self.up and self.selling and now >= self.again:
            self.again = now + ticks(2.3)
            self._restart()
        super()._choose(now)


class ShutsAndOpens(Host):
    """Closes the sale every second and opens it again. CLOSE-SALE is allowed in states 2 and 3."""

    def power_on(self):
        self.shut = self.clock.now() + ticks(1)
        super().power_on()

    def _got_poll(self, status, fields, now):
        super()._got_poll(status, fields, now)
        if self.state == SALE and not self.todo and not self._wanted and now >= self.shut:
            self.shut = now + ticks(1)
            self.todo.append(("CLOSE-SALE", {}))

    def _got_close_sale(self, status, fields, now):
        if not status:
            self.state = PRICED


class Dearer(ShutsAndOpens):
    """With the sale closed, sends a table with other prices. PRICE-* are allowed in state 2."""

    def _got_close_sale(self, status, fields, now):
        super()._got_close_sale(status, fields, now)
        if not status:
            self.prices = [price + 5 for price in self.prices]
            self._price_tries = 0
            self._send_table()


class ManyFlags(Host):
    """Empty frames before each frame: two flags in a row are ignored (RFC 1662 §3.1)."""

    def _say(self, wire, at):
        return super()._say(wire[:1] * 3 + wire, at)


class SharedFlags(Host):
    """One flag ends a frame and begins the next (RFC 1662 §3.1)."""

    def power_on(self):
        self.said = 0  # the first after a start has both of its own
        super().power_on()

    def _say(self, wire, at):
        self.said += 1
        return super()._say(wire if self.said == 1 else wire[1:], at)


ODD = (Eager, Calm, AtTheLowLimits, AtTheHighLimits, Wrapping, Leaping, SmallParts, Curious, StartsAnew, ShutsAndOpens,
       Dearer, ManyFlags, SharedFlags)  # fmt: skip
LEGAL = tuple(Variant(host, "host", None) for host in ODD)
