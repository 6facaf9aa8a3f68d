"""What every simulated payment device has in common: events held until the master took them, JUST RESET,
states told in each POLL, timed work that a power cut ends.

A device class lists its `SETTINGS` with their defaults and names a method for each command it knows.
"""

from typing import ClassVar

from benchsim.errors import UsageError
from benchsim.events import ticks
from benchsim.links.bus import BusDevice
from benchsim.schema import load_book
from benchsim.schema.bus import Message

MOST_ACTIVITY = 16  # bytes in one answer to POLL (MDB/ICP 4.3 §5, §6)
IDENTITY = {"maker": "BSM", "software": "0100"}


class Peripheral:
    """One payment device on the bus. `start`, `stop`: its power. `happen(kind, **data)` tells the bench."""

    SPEC = ""  # name of its protocol file
    SETTINGS: ClassVar[dict] = {}
    HANDLERS: ClassVar[dict[str, str]] = {}  # command name -> method

    def __init__(self, clock, line, rng, settings: dict, happen, seat: str = "", book=None):
        book = book or load_book()
        self.clock, self.rng, self.happen = clock, rng, happen
        spec = book.devices[self.SPEC]
        seat = seat or next(iter(spec.seats))
        if unknown := sorted(set(settings) - set(self.SETTINGS)):
            raise UsageError(
                f"{seat}: unknown setting {unknown[0]!r} (known: {', '.join(sorted(self.SETTINGS))})"
            )
        self.settings = self.SETTINGS | settings
        if self.settings["level"] not in spec.levels:
            raise UsageError(f"{seat}: level: expected one of {spec.levels}, not {self.settings['level']!r}")
        self.spec, self.seat = spec, seat
        self.bus = BusDevice(clock, line, book, spec, seat, rng, self._answer, self._acked, self._reset)
        self.bus.mode = spec.mode(self.settings["level"])
        self.troubles: dict[str, bool] = {}  # states told in every POLL while they last
        self._events: list[bytes] = []
        self._offered = 0  # how many of them the last answer carried
        self._just_reset = False
        self._work: dict = {}  # timed calls that a power cut or reset cancels
        self._works = 0
        self._handlers = {name: getattr(self, method) for name, method in self.HANDLERS.items()}

    # ---- power

    @property
    def on(self) -> bool:
        """Has it power?"""
        return self.bus.on

    def start(self) -> None:
        """Power on."""
        self.bus.start()
        self._reset()

    def stop(self) -> None:
        """Power off: everything stops at once."""
        self._cancel_work()
        self.halted()
        self.bus.stop()

    def trouble(self, name: str, on: bool = True) -> None:
        """A state of the device, by its activity name ("COIN JAM"), begins or ends."""
        if name not in self.spec.activities or self.spec.activities[name].event:
            raise UsageError(f"{self.seat}: {name!r} is no state of a {self.spec.title.lower()}")
        self.troubles.pop(name, None)
        if on:
            self.troubles[name] = True

    def report(self, name: str, **fields) -> None:
        """An event for the next POLL."""
        if self.on:
            self._events.append(self.spec.build_activity(name, self.bus.mode, **fields))

    def after(self, seconds: float, call, *args) -> None:
        """Timed work of the device."""
        self._works += 1
        when = self.clock.now() + ticks(seconds)
        self._work[self._works] = self.clock.call_at(when, self._do, self._works, call, args)

    def _do(self, work: int, call, args) -> None:
        del self._work[work]
        call(*args)

    # ---- for device classes

    def halted(self) -> None:
        """Power is gone or a reset came: settle what was under way."""

    def cleared(self) -> None:
        """Back to the state after a reset."""

    def states(self) -> list[str]:
        """States to tell in this POLL, by activity name."""
        return list(self.troubles)

    def reply(self, name: str, **fields) -> bytes:
        """An activity at once in place of ACK, or in a later POLL if others wait before it."""
        waiting = bool(self._events)
        self.report(name, **fields)
        return b"" if waiting else self._offer()

    # ---- the bus

    def _cancel_work(self) -> None:
        for timed in self._work.values():
            timed.cancel()
        self._work.clear()

    def _reset(self) -> None:
        self._cancel_work()
        self.halted()
        self._events.clear()
        self._offered, self._just_reset = 0, True
        self.bus.mode = self.spec.mode(self.settings["level"])
        self.cleared()

    def _answer(self, message: Message) -> bytes | None:
        if message.name == "RESET":
            return b""
        if message.name == "POLL":
            return self._poll()
        handler = self._handlers.get(message.name)
        return None if handler is None else handler(**message.fields)

    def _poll(self) -> bytes:
        if self._just_reset:
            self._offered = -1
            return bytes((self.spec.just_reset,))
        data = self._offer()
        for name in self.states():
            state = self.spec.build_activity(name, self.bus.mode)
            if len(data) + len(state) <= MOST_ACTIVITY:
                data += state
        return data

    def _offer(self) -> bytes:
        """As many events as fit in one answer; the first one always goes."""
        data, self._offered = b"", 0
        for event in self._events:
            if data and len(data) + len(event) > MOST_ACTIVITY:
                break
            data += event
            self._offered += 1
        return data

    def _acked(self, taken: bool) -> None:
        if taken and self._offered < 0:
            self._just_reset = False
        elif taken:
            del self._events[: self._offered]
        self._offered = 0
