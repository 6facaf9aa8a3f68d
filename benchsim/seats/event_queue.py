"""The board's events for the host: numbered, kept until acknowledged, offered again in order.

Kit link reference: the events of a POLL answer count as delivered when a request other than RESET with
the next `seq` arrives. The queue holds 32; TEMPERATURE and SUPPLY give way first, money and vends never.

The last eight places are kept for money and vends. What else comes then takes the place of a waiting event of
its kind that was not yet offered (the newest state of door, device or lock-out counts), or is not queued: the
state in the answer to POLL tells the host of door and lock-out.
"""

from collections.abc import Callable

from benchsim.schema.kit import Event, KitSpec

_PASSING = ("TEMPERATURE", "SUPPLY")
_MONEY = ("BOOTED", "CREDIT", "VEND-DONE", "PAYOUT")  # never dropped
KEEP_FREE = 8


class EventQueue:
    """Volatile: a power loss empties it."""

    def __init__(self, spec: KitSpec, told: Callable[[str, dict], None] = lambda name, fields: None):
        self._told = told  # hears of each, whatever becomes of it
        self.spec, self._size = spec, spec.limits["queue"].high
        self._waiting: list[Event] = []
        self._offered: tuple[int, list[Event]] | None = None  # seq of the POLL, its events
        self._seen: set[int] = set()  # numbers that were offered at least once
        self._number = 0
        self.told = 0  # how many were queued, dropped ones included

    @property
    def free(self) -> int:
        """Places left."""
        return self._size - len(self._waiting)

    @property
    def empty(self) -> bool:
        """Does the host know of everything?"""
        return not self._waiting

    def holds(self, name: str) -> bool:
        """Does an event of this kind wait?"""
        return any(event.name == name for event in self._waiting)

    def add(self, name: str, **fields) -> None:
        """Queue an event; one that the link does not have is not told."""
        spec = self.spec.event_by_name.get(name)
        if spec is None:
            return
        raw = spec.data.build(fields)
        self._told(name, fields)
        self.told += 1
        if name in _PASSING and self._replaced(name, fields, raw):
            return
        if name not in _MONEY and self.free <= KEEP_FREE:
            if name in _PASSING or self._replaced(name, fields, raw) or not self._made_room():
                return
        elif not self.free:
            self._made_room()
        self._number = (self._number + 1) % 256
        self._seen.discard(self._number)
        self._waiting.append(Event(self._number, spec.code, name, fields, raw))

    def withdraw(self, name: str) -> None:
        """Take back waiting events of a kind."""
        self._waiting = [e for e in self._waiting if e.name != name]

    def offer(self, seq: int) -> list[Event]:
        """The events for the answer to a POLL: as many of the oldest as fit."""
        events, room = [], self.spec.room_for_events
        for event in self._waiting:
            room -= 3 + len(event.raw)
            if room < 0:
                break
            events.append(event)
        self._offered = seq, events
        self._seen.update(e.number for e in events)
        return events

    def request(self, name: str, seq: int) -> None:
        """A new request has come: does it acknowledge what was offered?"""
        if self._offered and name != "RESET" and seq == (self._offered[0] + 1) % self.spec.seqs:
            gone = self._offered[1]
            self._waiting = [e for e in self._waiting if not any(e is g for g in gone)]
        self._offered = None

    def hand_over(self) -> list[Event]:
        """Everything that waits, delivered at once: the requests that would have done it were leapt over."""
        events, self._waiting, self._offered = self._waiting, [], None
        self._seen.update(e.number for e in events)
        return events

    def _replaced(self, name: str, fields: dict, raw: bytes) -> bool:
        """It took the place of a waiting event of its kind (of the same device) that was not yet offered."""
        for i, old in enumerate(self._waiting):
            same = old.name == name and old.fields.get("address") == fields.get("address")
            if same and old.number not in self._seen:
                self._waiting[i] = old._replace(fields=fields, raw=raw)
                return True
        return False

    def _made_room(self) -> bool:
        """A reading gave way."""
        for i, event in enumerate(self._waiting):
            if event.name in _PASSING:
                del self._waiting[i]
                return True
        return False
