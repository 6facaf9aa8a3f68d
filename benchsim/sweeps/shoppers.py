"""Days of a machine with a shopper now and then: hours by the thousand, judged by every rule.

    minutes of quiet ─► a shopper: pays in some way, chooses, gets it or not, takes the change ─► minutes of quiet ─► …

A ledger of its own follows what moves off the links: coins, bills, cards, products that fall. The board's books and
the judge's know nothing of it. Quiet time is leapt over (`benchsim.leaps`); without leaps a day is the same one.
"""

from collections import Counter
from random import Random
from typing import NamedTuple

from benchsim.bench import Bench, bench_links
from benchsim.clock import Clock, run
from benchsim.events import Burst, Happening, seconds
from benchsim.judge import Judge
from benchsim.leaps import Leaps
from benchsim.schema import load_book
from benchsim.settings import Settings

GAP = 300.0, 2100.0  # seconds from one shopper to the next; 72 a day is a good machine (common practice)
CARD = 1000  # funds of a card, minor units
MOST_COINS = 12  # a shopper's patience
CHANGE = {"tubes": [120, 120, 120, 120], "capacity": 250}  # enough for a day
SOLD_OUT = (5, 7)  # position without a product
KINDS = {"coins": 34, "bill": 16, "card": 20, "lever": 10, "cancelled": 8, "sold out": 7, "jam": 5}  # of 100 shoppers


class Day(NamedTuple):
    """What to play."""

    seed: int
    hours: float
    gap: tuple[float, float] = GAP
    leaps: bool = True


DAY = 12.0  # hours that one bench plays, then comes another one


def days(hours: float, first_seed: int = 1) -> list[Day]:
    """So many hours, in days."""
    whole, rest = divmod(hours, DAY)
    lengths = [DAY] * int(whole) + ([rest] if rest else [])
    return [Day(first_seed + number, length) for number, length in enumerate(lengths)]


class Played(NamedTuple):
    """What came of it."""

    hours: float
    shoppers: Counter
    failed: tuple[str, ...]  # verdicts that are no pass: rule, seat and outcome
    checked: int  # by all rules together
    ledger: str  # in words
    closed: bool  # the ledger, to the last minor unit
    leapt_s: float


class Ledger:
    """Money and goods as they really moved. A listener."""

    def __init__(self, bench: Bench):
        self._bench = bench
        self._coins = self._in_changer()
        self.coins = self.bills = self.charged = self.paid = self.sold = 0

    def _in_changer(self) -> int:
        changer = self._bench.devices["changer"]
        return changer.box + sum(count * changer.value(coin) for coin, count in enumerate(changer.tubes))

    def burst(self, burst: Burst) -> None:
        """Words are not looked at."""

    def happening(self, happening: Happening) -> None:
        """Money or goods moved."""
        kind, data = happening.kind, happening.data
        if kind == "coin" and data["to"] in ("tube", "box"):
            self.coins += data["value"]
        elif kind == "bill" and data["to"] == "stacked":
            self.bills += data["value"]
        elif kind == "payout":
            self.paid += data["value"]
        elif kind == "charge":
            self.charged += data["value"]
        elif kind == "drop":
            settings = self._bench.settings
            self.sold += settings.prices[data["row"] * settings.columns + data["column"]]

    def leapt(self, length: int, counted: dict) -> None:
        """Nothing moves in quiet time."""

    @property
    def closed(self) -> bool:
        """Is everything where it should be, in the changer and in the board's memory?"""
        memory = self._bench.board.memory
        changer = self._in_changer() - self._coins == self.coins - self.paid
        return changer and self.coins + self.bills + self.charged == self.sold + self.paid + memory.cash + memory.owed

    def text(self) -> str:
        """The ledger in words."""
        memory = self._bench.board.memory
        came = f"coins {self.coins} + bills {self.bills} + cards {self.charged}"
        return f"{came} = sold {self.sold} + paid out {self.paid} + credit {memory.cash} + owed {memory.owed}"


class Shoppers:
    """People at one bench, one after another."""

    def __init__(self, bench: Bench, rng: Random, gap: tuple[float, float]):
        self.bench, self.rng, self.gap = bench, rng, gap
        self.count: Counter = Counter()
        self.changer, self.validator, self.reader = (bench.devices[s] for s in ("changer", "validator", "cashless1"))

    async def come(self, until: float) -> None:
        """Shoppers until so many seconds of bench time are over, and then some quiet."""
        clock = self.bench.clock
        while (wait := self.rng.uniform(*self.gap)) < until - seconds(clock.bench_time()):
            await clock.sleep(wait)
            kind = self.rng.choices(list(KINDS), KINDS.values())[0]
            self.count[kind] += 1
            await getattr(self, "_" + kind.replace(" ", "_"))()
            await self._leave()
        await clock.sleep(max(until - seconds(clock.bench_time()), 60))

    async def _wait(self, low: float, high: float) -> None:
        await self.bench.clock.sleep(self.rng.uniform(low, high))

    # ---- what shoppers do

    @property
    def _credit(self) -> int:
        return self.bench.host.credit  # as the screen shows it

    def _place(self) -> tuple[int, int, int]:
        """Some selection that has a product, and its price."""
        settings = self.bench.settings
        while (at := self.rng.randrange(settings.rows * settings.columns)) == SOLD_OUT[0] * settings.columns + SOLD_OUT[1]:
            pass
        return *divmod(at, settings.columns), settings.prices[at]

    async def _put(self, amount: int) -> None:
        """Coins, until that is there; some coins come back."""
        for _ in range(MOST_COINS):
            open_now = [coin for coin in range(6) if self.changer.takes(coin) and self.changer.value(coin) >= 20]
            if self._credit >= amount or not open_now:
                return
            self.changer.insert(self.rng.choice(open_now))
            await self._wait(0.7, 1.8)

    async def _tap(self, row: int, column: int) -> None:
        await self._wait(0.5, 2.0)
        self.bench.panel.tap(row, column, self.bench.settings.rows, self.bench.settings.columns)
        await self._wait(3.5, 5.0)

    async def _coins(self) -> None:
        row, column, price = self._place()
        await self._put(price)
        await self._tap(row, column)

    async def _bill(self) -> None:
        row, column, price = self._place()
        bills = [bill for bill in range(4) if self.validator.takes(bill)]
        if bills:
            self.validator.insert(min(bills, key=self.validator.value))
            await self._wait(4.0, 6.0)
        await self._put(price)
        await self._tap(row, column)

    async def _card(self) -> None:
        row, column, _ = self._place()
        self.reader.card(CARD)
        await self._wait(1.0, 2.0)
        await self._tap(row, column)

    async def _lever(self) -> None:
        await self._put(self.rng.choice((50, 100, 200)))

    async def _cancelled(self) -> None:
        self.reader.card(CARD)
        await self._wait(1.0, 4.0)
        self.reader.pull()

    async def _sold_out(self) -> None:
        await self._put(self.bench.settings.prices[SOLD_OUT[0] * self.bench.settings.columns + SOLD_OUT[1]])
        await self._tap(*SOLD_OUT)

    async def _jam(self) -> None:
        """A coil is held; somebody frees it later."""
        row, column, price = self._place()
        self.bench.coils.jammed.add((row, column))
        await self._put(price)
        await self._tap(row, column)
        self.bench.coils.jammed.discard((row, column))

    async def _leave(self) -> None:
        """Take the card and the change."""
        await self._wait(1.0, 2.0)
        self.reader.pull()
        if self.bench.board.memory.cash:
            self.changer.lever()
        await self._wait(5.0, 8.0)


def play(day: Day, *listeners) -> Played:
    """Play a day, judged by every rule. `listeners`: called with the bench, each gives one more listener."""
    book = load_book()
    judge = Judge(bench_links(book), book)

    async def main(clock: Clock) -> Played:
        bench = Bench(Settings(empty=[SOLD_OUT], seats={"changer": CHANGE}), book, clock, day.seed, "shoppers")
        ledger, leaps = Ledger(bench), Leaps(bench)
        bench.trace.listeners += [judge, ledger, *(make(bench) for make in listeners)]
        bench.trace.happening("bench", "case", name="shoppers", provokes="shoppers now and then", subject=None)
        bench.power_on()
        if day.leaps:
            leaps.start()
        shoppers = Shoppers(bench, Random(f"{day.seed}/shoppers"), day.gap)
        await shoppers.come(day.hours * 3600)
        bench.trace.close()
        judge.close(clock.now())
        verdicts = judge.verdicts()
        failed = tuple(f"{v.rule} {v.judged}: {v.outcome}" for v in verdicts if v.outcome not in ("pass", "unseen"))
        return Played(day.hours, shoppers.count, failed, sum(v.checked for v in verdicts), ledger.text(), ledger.closed,
                      seconds(clock.skipped))  # fmt: skip

    return run(main)
