"""The board's events for the host: numbered, kept until acknowledged, offered again in order.

Kit link reference: the events of a POLL answer count as delivered when a request other than RESET with
the next `seq` arrives. The queue holds 32; TEMPERATURE and SUPPLY give way first, money and vends never.
"""

from benchsim.schema.kit import Event, KitSpec

_PASSING = ("TEMPERATURE", "SUPPLY")
_ROOM = 124 - 1 - 1 - 4 - 1  # an answer's payload less status, state, credit and count
KEEP_FREE = 8


class EventQueue:
    """Volatile: a power loss empties it."""

    def __init__(self, spec: KitSpec):
        self.spec, self._size = spec, spec.limits["queue"].high
        self._waiting: list[Event] = []
        self._offered: tuple[int, list[Event]] | None = None  # seq of the POLL, its events
        self._seen: set[int] = set()  # numbers that were offered at least once
        self._number = 0

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
        """Queue an event."""
        spec = self.spec.event_by_name[name]
        raw = spec.data.build(fields)
        if name in _PASSING:
            for i, old in enumerate(self._waiting):
                if old.name == name and old.number not in self._seen:
                    self._waiting[i] = old._replace(fields=fields, raw=raw)
                    return
            if not self.free:
                return
        elif not self.free:
            self._make_room()
        self._number = (self._number + 1) % 256
        self._seen.discard(self._number)
        self._waiting.append(Event(self._number, spec.code, name, fields, raw))

    def withdraw(self, name: str) -> None:
        """Take back waiting events of a kind."""
        self._waiting = [e for e in self._waiting if e.name != name]

    def offer(self, seq: int) -> list[Event]:
        """The events for the answer to a POLL: as many of the oldest as fit."""
        events, room = [], _ROOM
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
        if self._offered and name != "RESET" and seq == (self._offered[0] + 1) % 256:
            gone = self._offered[1]
            self._waiting = [e for e in self._waiting if not any(e is g for g in gone)]
        self._offered = None

    def _make_room(self) -> None:
        for i, event in enumerate(self._waiting):
            if event.name in _PASSING:
                del self._waiting[i]
                return
