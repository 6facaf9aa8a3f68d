"""A visit: what a technician does at a machine that somebody complained about, always the same in the same order,
so that every fault has a chance to show.

    a look at the lights ─ wait for the sale ─ tap without money ─ three coins, tap, lever ─ a bill, tap, lever
       ─ a card, tap, card away ─ door open, survey and counters on the service page, door closed ─ audit read

Moments differ a little by chance. The first selection tapped is the one complained about, if there is one.
"""

import random

from benchsim.events import ticks
from benchsim.live.customer import FUNDS

KIND = "visit"  # the happening that tells of it
COIN, BILL = 4, 0  # types: 1.00 and the smallest bill on the demo bench
LENGTH = 41.0  # seconds
JITTER = 0.25


class Visit:
    """One technician at one bench, from now on. What is real on the bench is left to whoever stands there."""

    def __init__(self, bench, rng: random.Random):
        self.bench = bench
        rows, columns = bench.settings.rows, bench.settings.columns
        cells = [(rng.randrange(rows), rng.randrange(columns)) for _ in range(3)]
        first, for_bill, for_card = self._complaint(cells[0]), *cells[1:]
        acts = (
            (3.0, self._look),
            (4.0, self._tap, first),
            (5.0, self._coin), (5.7, self._coin), (6.4, self._coin),
            (8.0, self._tap, first),
            (12.6, self._lever),
            (15.0, self._bill),
            (18.8, self._tap, for_bill),
            (22.4, self._lever),
            (25.2, self._card),
            (26.8, self._tap, for_card),
            (31.4, self._card_away),
            (32.6, self._door, True),
            (33.2, self._service),
            (36.2, self._door, False),
            (37.6, self._audit),
        )  # fmt: skip
        bench.trace.happening("bench", KIND, length_s=LENGTH)
        began = bench.clock.now()
        for at, act, *arguments in acts:
            bench.clock.call_at(began + ticks(at + rng.uniform(0, JITTER)), act, *arguments)

    def _complaint(self, any_one: tuple[int, int]) -> tuple[int, int]:
        """The selection that somebody complained about: where the faults of this bench are, if they have a place."""
        row, column = any_one
        for fault in self.bench.settings.faults:
            row, column = fault.values.get("row", row), fault.values.get("column", column)
        return row, column

    def _look(self) -> None:
        self.bench.trace.happening("bench", "lights", **{seat: device.on for seat, device in self.bench.devices.items()})

    def _tap(self, where: tuple[int, int]) -> None:
        bench = self.bench
        if bench.panel:
            bench.panel.tap(*where, bench.settings.rows, bench.settings.columns)

    def _device(self, seat: str, act: str, *arguments) -> None:
        device = self.bench.devices.get(seat)
        if device:
            getattr(device, act)(*arguments)

    def _coin(self) -> None:
        self._device("changer", "insert", COIN)

    def _lever(self) -> None:
        self._device("changer", "lever")

    def _bill(self) -> None:
        self._device("validator", "insert", BILL)

    def _card(self) -> None:
        self._device("cashless1", "card", FUNDS)

    def _card_away(self) -> None:
        self._device("cashless1", "pull")

    def _door(self, is_open: bool) -> None:
        if self.bench.board:
            self.bench.door.move(is_open)

    def _audit(self) -> None:
        if self.bench.auditor:
            self.bench.auditor.begin(lambda reading: None)

    def _service(self) -> None:
        if self.bench.host:
            self.bench.host.service()
