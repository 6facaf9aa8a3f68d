"""What every simulated payment device has in common: events held until the master took them, JUST RESET,
states told in each POLL, timed work that a power cut ends.

A device class lists its settings in a table, with a default for each, and names a method for each command it
knows. Whatever its level and its enabled features do not define is not answered.
"""

from collections.abc import Callable
from typing import ClassVar

from benchsim.errors import UsageError
from benchsim.events import MODE, ticks
from benchsim.links.bus import BusDevice
from benchsim.schema import load_book
from benchsim.schema.bus import Message
from benchsim.seats.oddities import ODDITIES
from benchsim.seats.setting import Setting, checked

MOST_ACTIVITY = 16  # bytes in one answer to POLL (MDB/ICP 4.3 §5, §6)
COUNT = 0x1F  # of an event that counts: the low bits of its only byte
IDENTITY = {"maker": "BSM", "software": "0100"}


class Peripheral:
    """One payment device on the bus. `start`, `stop`: its power. `happen(kind, **data)` tells the bench."""

    SPEC = ""  # name of its protocol file
    SETTINGS: ClassVar[dict] = {}  # defaults
    SETTING_CHECKS: ClassVar[dict[str, Setting]] = {}  # range and meaning
    HANDLERS: ClassVar[dict[str, str]] = {}  # command name -> method

    def __init__(self, clock, line, rng, settings: dict, happen, seat: str = "", book=None):
        book = book or load_book()
        self.clock, self.line, self.rng, self.happen = clock, line, rng, happen
        spec = book.devices[self.SPEC]
        seat = seat or next(iter(spec.seats))
        self.settings = checked(seat, settings, self.SETTINGS, self.SETTING_CHECKS)
        if self.settings["level"] not in spec.levels:
            raise UsageError(f"{seat}: level: expected one of {spec.levels}, not {self.settings['level']!r}")
        self.spec, self.seat, self._nak = spec, seat, book.bus.nak | MODE
        self.bus = BusDevice(clock, line, book, spec, seat, rng, self._answer, self._acked, self._reset)
        self.bus.mode = spec.mode(self.settings["level"])
        self.troubles: dict[str, bool] = {}  # states told in every POLL while they last
        self.most_events = MOST_ACTIVITY  # in one answer to POLL
        self.refuses = False  # NAK to the first sending of every command but RESET and POLL
        self._events: list[bytes] = []
        self._offered = 0  # how many of them the last answer carried
        self._just_reset = False
        self._once_taken: tuple | None = None
        self._naks = 0  # commands still to be refused
        self._refused: Message | None = None
        self._quiet_until = self._busy_until = 0
        self._work: dict = {}  # timed calls that a power cut or reset cancels
        self._works = 0
        self._handlers = {name: getattr(self, method) for name, method in self.HANDLERS.items()}
        for oddity in self.settings.get("answers", ()):
            ODDITIES[oddity][1](self)

    # ---- power

    @property
    def on(self) -> bool:
        """Has it power?"""
        return self.bus.on

    @property
    def at_rest(self) -> bool:
        """It has nothing to do but to answer, and nothing to tell."""
        awaited = self._work or self._events or self._just_reset or self._naks or self.bus.tricks
        return self.on and not awaited and self.clock.now() >= max(self._quiet_until, self._busy_until)

    def start(self) -> None:
        """Power on."""
        self._quiet_until = 0
        self.bus.start()
        self._reset()

    def stop(self) -> None:
        """Power off: everything stops at once."""
        self._cancel_work()
        self.halted()
        self.bus.stop()

    # ---- what may befall it

    def restart(self) -> None:
        """A reset of its own: JUST RESET out of nowhere. An answer under way is still said."""
        if self.on:
            self.start()

    def quiet(self, seconds: float) -> None:
        """Hear and answer nothing for so long, then go on as before. A RESET or a break resets it, unanswered."""
        self._quiet_until = self.clock.now() + ticks(seconds)
        if self._hush not in self.bus.tricks:
            self.bus.tricks.insert(0, self._hush)

    def busy(self, seconds: float) -> None:
        """Tell BUSY in every POLL for so long; other commands but RESET are not answered."""
        if "BUSY" not in self.spec.activities:
            raise UsageError(f"{self.seat}: a {self.spec.title.lower()} has no state BUSY")
        self._busy_until = self.clock.now() + ticks(seconds)

    def nak(self, times: int = 1) -> None:
        """Refuse the next commands but RESET: NAK, and nothing is done."""
        self._naks = times

    def trouble(self, name: str, on: bool = True) -> None:
        """A state of the device, by its activity name ("COIN JAM"), begins or ends."""
        if name not in self.spec.activities or self.spec.activities[name].event:
            raise UsageError(f"{self.seat}: {name!r} is no state of a {self.spec.title.lower()}")
        self.troubles.pop(name, None)
        if on:
            self.troubles[name] = True

    # ---- for device classes

    def report(self, name: str, **fields) -> None:
        """An event for the next POLL."""
        if self.on:
            self.bus.waver()
            self._events.append(self.spec.build_activity(name, self.bus.mode, **fields))

    def report_one_more(self, name: str) -> None:
        """An event that counts: it adds to the one before if that is the same and was not offered yet."""
        last = self._events[-1] if len(self._events) > max(self._offered, 0) else b""
        one = self.spec.build_activity(name, self.bus.mode, count=1)
        if len(last) == 1 and last[0] & ~COUNT == one[0] & ~COUNT and last[0] & COUNT < COUNT:
            self._events.pop()
            self.report(name, count=(last[0] & COUNT) + 1)
        else:
            self.report(name, count=1)

    def waits(self, name: str, **fields) -> bool:
        """Does such an event still wait to be taken?"""
        return self.spec.build_activity(name, self.bus.mode, **fields) in self._events

    def after(self, seconds: float, call, *args) -> None:
        """Timed work of the device."""
        self._works += 1
        when = self.clock.now() + ticks(seconds)
        self._work[self._works] = self.clock.call_at(when, self._do, self._works, call, args)

    def _do(self, work: int, call, args) -> None:
        del self._work[work]
        call(*args)

    def once_taken(self, call: Callable, *args) -> None:
        """Call it when the master has acknowledged the answer that is just made; never if it does not."""
        self._once_taken = (call, args)

    def halted(self) -> None:
        """Power is gone or a reset came: settle what was under way."""

    def cleared(self) -> None:
        """Back to the state after a reset."""

    def states(self) -> list[str]:
        """States to tell in this POLL, by activity name."""
        return [*self.troubles, "BUSY"] if self.clock.now() < self._busy_until else list(self.troubles)

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
        self._offered, self._just_reset, self._once_taken = 0, True, None
        self._naks = self._busy_until = 0
        self._refused = None
        self.bus.mode = self.spec.mode(self.settings["level"])
        self.cleared()

    def _answer(self, message: Message) -> bytes | None:
        self._once_taken = None
        if self.clock.now() < self._quiet_until:
            return None
        if message.name == "RESET":
            return b""
        if (self._naks or self.refuses) and self._refuse(message):
            return b""
        if message.name == "POLL":
            return self._poll()
        if self.clock.now() < self._busy_until or not self.spec.defined(message.name, self.bus.mode):
            return None
        handler = self._handlers.get(message.name)
        return None if handler is None else handler(**message.fields)

    def _refuse(self, message: Message) -> bool:
        """Is this command to be answered NAK? Then the answer's words are changed on their way out."""
        if self._naks:
            self._naks -= 1
        elif message.name == "POLL":
            return False
        elif message == self._refused:
            self._refused = None
            return False
        else:
            self._refused = message
        self.bus.tricks.insert(0, self._say_nak)
        return True

    def _say_nak(self, name: str, words: tuple[int, ...], at: int) -> Callable:
        self.bus.tricks.remove(self._say_nak)
        return lambda: self.line.say(self.seat, (self._nak,), at, word=self.bus.word)

    def _hush(self, name: str, words: tuple[int, ...], at: int) -> Callable | None:
        if self.clock.now() < self._quiet_until:
            return lambda: None
        self.bus.tricks.remove(self._hush)
        return None

    def _poll(self) -> bytes:
        if self._just_reset:
            self._offered = -1
            return bytes((self.spec.just_reset,))
        states = b"".join(self.spec.build_activity(name, self.bus.mode) for name in self.states())
        data = self._offer(MOST_ACTIVITY - len(states))
        return data + states[: max(0, MOST_ACTIVITY - len(data))]

    def _offer(self, room: int = MOST_ACTIVITY) -> bytes:
        """As many events as fit in the room of one answer; the first one always goes."""
        data, self._offered = b"", 0
        for event in self._events:
            if data and (len(data) + len(event) > room or self._offered == self.most_events):
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
        once, self._once_taken = self._once_taken, None
        if taken and once:
            once[0](*once[1])
