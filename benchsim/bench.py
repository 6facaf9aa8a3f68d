"""One bench: clock, lines and seats put together from a bench file, each seat simulated or real.

    customer ─► changer, validator, cashless1 ─bus─► board ─kit─► host ◄─panel─ panel ◄─ customer's finger
                              audit reader ─audit─►
"""

import random
from functools import partial

from benchsim.clock import Clock
from benchsim.errors import UsageError
from benchsim.events import LinkInfo, ticks
from benchsim.faults import lay
from benchsim.lines import Line, Trace
from benchsim.lines.cable import Cable
from benchsim.machine import Coils, Cold, Door, Supply
from benchsim.machine_settings import wire
from benchsim.schema import Book
from benchsim.seats.auditor import Auditor
from benchsim.seats.board import BROWN_OUT, POWER_ON, Board
from benchsim.seats.cashless import Cashless
from benchsim.seats.changer import Changer
from benchsim.seats.gateway import Gateway
from benchsim.seats.host import Host
from benchsim.seats.panel import Panel
from benchsim.seats.peripheral import Peripheral
from benchsim.seats.satellite import Satellite
from benchsim.seats.validator import Validator
from benchsim.settings import Settings

LINKS = ("bus", "kit", "panel", "audit")
# Who sits at either end of a link, as far as traces are concerned: the asking side first.
ENDS = {"bus": ("board", "devices"), "kit": ("host", "board"), "panel": ("host", "panel"), "audit": ("auditor", "board")}
# 2026-01-05 08:00 UTC: the bench's own Monday morning, the same in every run
START_UTC = 1_767_600_000
HOST_AMPS = 0.7  # of a small computer with its display at 34 V; common practice
PAYOUT = (1.5, 0.15)  # amperes, seconds: a changer's motor for one coin; common practice
# What can stand on the bus, in order of address.
DEVICES: dict[str, type[Peripheral]] = {
    "changer": Changer, "cashless1": Cashless, "gateway": Gateway, "validator": Validator, "satellite1": Satellite,
    "satellite2": Satellite, "satellite3": Satellite, "cashless2": Cashless,
}  # fmt: skip
SIDES = {"bus": ("board", *DEVICES), "kit": ("host", "board"), "panel": ("host", "panel"), "audit": ("auditor", "board")}
SEATS = tuple(dict.fromkeys(seat for seats in SIDES.values() for seat in seats))


class _Bench:
    """What every bench has. All chance comes from `rng`, which the seed and the case's name make.

    `tapped`: links of which both ends are real, with the bench between. Whoever is on one side of it has a trace
    apart from those on the other; `trace` is the board's.
    """

    def __init__(self, settings: Settings, book: Book, clock: Clock, seed: int, name: str, links: tuple[str, ...],
                 tapped: frozenset[str] = frozenset()):  # fmt: skip
        self.settings, self.book, self.clock = settings, book, clock
        self.reached: frozenset[str] | None = None  # links at which a real subject is reached; None: all
        self._chance = f"{seed}/{name}"
        self.rng = random.Random(self._chance)
        self.traces = self._traces(tapped)
        self.trace = self.traces["board"]
        self.lines = {n: self._line(n, n in tapped) for n in links}

    def _traces(self, tapped: frozenset[str]) -> dict[str, Trace]:
        """Of every party: one for all, but for those that a tap parts."""
        hold = 0 if self.clock.virtual else ticks(0.05)
        found = {"board": Trace(self.clock, hold)}
        for link, known, other in (
            ("bus", "board", "devices"), ("kit", "board", "host"), ("panel", "host", "panel"), ("audit", "board", "auditor"),
        ):  # fmt: skip
            found[other] = Trace(self.clock, hold) if link in tapped else found[known]
        return found

    def _line(self, name: str, tapped: bool) -> Line | Cable:
        word, (asking, answering) = self.book.links[name].word.ticks, (self.traces[end] for end in ENDS[name])
        return Cable(name, word, self.clock, asking, answering) if tapped else Line(name, word, self.clock, asking)

    def chance(self, name: str) -> random.Random:
        """A generator of its own for something, so that it moves no other chance."""
        return random.Random(f"{self._chance}/{name}")

    def _device(self, seat: str, classes: dict[str, type]) -> Peripheral:
        make = classes.get(seat, DEVICES[seat])
        told = partial(self._told, seat)
        own = {key: value for key, value in self.settings.seats.get(seat, {}).items() if key != "fitted"}
        try:
            return make(self.clock, self.lines["bus"], self.rng, own, told, seat=seat)
        except UsageError as error:
            raise UsageError(f"{self.settings.place or 'bench'}: seats.{error}") from None

    def _told(self, seat: str, kind: str, **data) -> None:
        """What a device tells of itself."""
        self.traces["devices"].happening(seat, kind, **data)


class Bench(_Bench):
    """The whole converted machine for one case. `real` names the seats that a port takes; `classes` puts
    another class on a seat. Nothing runs before `power_on`.
    """

    def __init__(self, settings: Settings, book: Book, clock: Clock, seed: int, name: str = "",
                 real: frozenset[str] = frozenset(), classes: dict[str, type] | None = None,
                 tapped: frozenset[str] = frozenset()):  # fmt: skip
        super().__init__(settings, book, clock, seed, name, LINKS, tapped)
        classes = classes or {}
        bus, kit, panel, audit = (self.lines[n] for n in LINKS)
        self.supply = Supply(clock, self.trace, **settings.supply)
        self.coils = Coils(clock, self.trace, settings.rows, settings.columns, self.supply)
        self.coils.empty, self.coils.missing = set(settings.empty), set(settings.missing)
        wire(self.coils.wiring, settings.wiring)
        self.door, self.cold = Door(self.trace), None
        if settings.cold.fitted and "board" not in real:
            self.cold = Cold(clock, self.trace, settings.cold.ambient, settings.cold.air)
            self.door.moved.append(partial(setattr, self.cold, "door_open"))
        self.board = self.host = None
        if "board" not in real:
            make = classes.get("board", Board)
            self.board = make(book.kit, clock, kit, self.trace, self.coils, bus=(bus, book, self.rng),
                              audit=(audit, book.audit, settings.audit_reset == "read"),
                              door=self.door, cold=self.cold)  # fmt: skip
        self.devices = {
            seat: self._device(seat, classes)
            for seat in DEVICES
            if settings.fitted(seat) and seat not in real and "bus" not in tapped
        }
        self.panel = None
        if "panel" not in real:
            self.panel = classes.get("panel", Panel)(book.panel, clock, panel, self.traces["panel"])
        self.auditor = None  # it says nothing unless it is asked to read
        if "auditor" not in real:
            self.auditor = classes.get("auditor", Auditor)(book.audit, clock, audit, self.traces["auditor"])
        if "host" not in real:
            make = classes.get("host", Host)
            trace = self.traces["host"]
            self.host = make(book.kit, book.panel, clock, kit, panel, trace, settings.prices, START_UTC)
            wanted = settings.cold.fitted and (self.cold or settings.cold_named)  # no real board is set unasked
            self.host.setpoint = settings.cold.setpoint if wanted else None
        if self.board and self.cold and "SETPOINT" not in self.board.spec.by_name:
            self.board.memory.setpoint = settings.cold.setpoint  # set at the board by hand
        self._feed()

    def _feed(self) -> None:
        """All that is simulated hangs on the supply; a fault may cover anybody's switch meanwhile."""
        feed, supply = self.supply.feed, self.supply
        if board := self.board:
            feed("board", lambda: board.power_off(), lambda: board.power_on(POWER_ON if supply.was_gone("board") else BROWN_OUT),
                 lambda: board.powered)  # fmt: skip
        if host := self.host:
            feed("host", lambda: host.power_off(), lambda: host.power_on(), lambda: host.on, HOST_AMPS)
        for seat, device in self.devices.items():
            feed(seat, lambda d=device: d.stop(), lambda d=device: d.start(), lambda d=device: d.on)

    def _told(self, seat: str, kind: str, **data) -> None:
        super()._told(seat, kind, **data)
        if kind == "payout":
            self.supply.pulse(seat, *PAYOUT)

    def power_on(self) -> None:
        """Mains on: everything starts, with the faults that the bench file lays."""
        lay(self.settings.faults, self)
        if self.cold:
            self.cold.start()
        for device in self.devices.values():
            device.start()
        if self.board:
            self.board.power_on()
        if self.panel:
            self.panel.power_on()
        if self.host:
            self.host.power_on()


class DeviceBench(_Bench):
    """One payment device alone on the bus; the master's place is free for whoever asks it.

    `device` is None where a port takes the seat.
    """

    def __init__(self, settings: Settings, book: Book, clock: Clock, seed: int, name: str, seat: str,
                 real: frozenset[str] = frozenset(), classes: dict[str, type] | None = None):  # fmt: skip
        super().__init__(settings, book, clock, seed, name, ("bus",))
        self.seat = seat
        self.device = None if seat in real else self._device(seat, classes or {})
        self.devices = {seat: self.device} if self.device else {}

    def power_on(self) -> None:
        """Mains on."""
        lay(self.settings.faults, self)
        if self.device:
            self.device.start()


def bench_links(book: Book, names=LINKS) -> list[LinkInfo]:
    """The links of a bench, heard without doubt."""
    return [LinkInfo(n, book.links[n].asks, book.links[n].word.ticks) for n in names]
