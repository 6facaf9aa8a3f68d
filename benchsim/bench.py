"""One bench: clock, lines and seats put together from a bench file, each seat simulated or real.

    customer ─► changer, validator, cashless1 ─bus─► board ─kit─► host ◄─panel─ panel ◄─ customer's finger
"""

import random
from functools import partial

from benchsim.clock import Clock
from benchsim.events import LinkInfo, ticks
from benchsim.lines import Line, Trace
from benchsim.machine import Coils
from benchsim.schema import Book
from benchsim.seats.board import Board
from benchsim.seats.cashless import Cashless
from benchsim.seats.changer import Changer
from benchsim.seats.host import Host
from benchsim.seats.panel import Panel
from benchsim.seats.payment import PaymentBus
from benchsim.seats.validator import Validator
from benchsim.settings import Settings

LINKS = ("bus", "kit", "panel")
# 2026-01-05 08:00 UTC: the bench's own Monday morning, the same in every run
START_UTC = 1_767_600_000


class Bench:
    """Everything on the bench for one case. `real` names the seats that a port takes.

    Nothing runs before `power_on`. All chance comes from `rng`, which the seed and the case's name make.
    """

    def __init__(self, settings: Settings, book: Book, clock: Clock, seed: int, name: str = "",
                 real: frozenset[str] = frozenset(), host_class: type[Host] = Host):  # fmt: skip
        self.settings, self.book, self.clock, self.real = settings, book, clock, real
        self.rng = random.Random(f"{seed}/{name}")
        self.trace = Trace(clock, hold=0 if clock.virtual else ticks(0.05))
        self.lines = {n: Line(n, book.links[n].word.ticks, clock, self.trace) for n in LINKS}
        bus, kit, panel = (self.lines[n] for n in LINKS)
        self.coils = Coils(clock, self.trace, settings.rows, settings.columns)
        self.coils.empty, self.coils.missing = set(settings.empty), set(settings.missing)
        self.board = Board(book.kit, clock, kit, self.trace, self.coils, self._payment)
        seats = {"changer": Changer, "validator": Validator, "cashless1": Cashless}
        self.devices = {
            seat: make(clock, bus, self.rng, settings.seats.get(seat, {}), partial(self.trace.happening, seat))
            for seat, make in seats.items()
        }
        self.panel = Panel(book.panel, clock, panel, self.trace)
        self.host = None
        if "host" not in real:
            self.host = host_class(book.kit, book.panel, clock, kit, panel, self.trace, settings.prices, START_UTC)

    def _payment(self, on_event):
        return PaymentBus(self.clock, self.lines["bus"], self.book, self.rng, on_event)

    def power_on(self) -> None:
        """Mains on: everything starts."""
        for device in self.devices.values():
            device.start()
        self.board.power_on()
        self.panel.power_on()
        if self.host:
            self.host.power_on()


def bench_links(book: Book, uncertainty: int = 0, chunks: frozenset[str] = frozenset()) -> list[LinkInfo]:
    """How each link of a bench was heard: doubt in ticks, and which links deliver bytes in lumps."""
    note = "use a serial adapter instead of a pseudo-terminal to measure gaps"
    return [
        LinkInfo(n, book.links[n].asks, book.links[n].word.ticks, uncertainty if n in chunks else 0,
                 edges=n not in chunks, chunks=n in chunks, note=note if n in chunks else "")  # fmt: skip
        for n in LINKS
    ]
