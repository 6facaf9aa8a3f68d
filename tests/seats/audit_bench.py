"""A whole simulated machine whose audit counters are read, for tests."""

from benchsim.bench import Bench
from benchsim.clock import run
from benchsim.schema import load_book
from benchsim.settings import Settings

BOOK = load_book()


class Shop:
    """A bench in virtual time and people at it. Everything that happens is kept in `told`."""

    def __init__(self, clock, settings=None, classes=None, seed=1):
        self.clock = clock
        self.bench = Bench(settings or Settings(), BOOK, clock, seed, "shop", classes=classes)
        self.told, self.bursts = [], []
        self.bench.trace.listeners.append(self)
        self.bench.power_on()

    def burst(self, burst):
        if burst.link == "audit":
            self.bursts.append(burst)

    def happening(self, happening):
        self.told.append(happening)

    async def until(self, holds, seconds=20.0):
        for _ in range(round(seconds / 0.05)):
            if holds():
                return True
            await self.clock.sleep(0.05)
        return False

    async def on_sale(self):
        board, devices = self.bench.board, self.bench.devices
        assert await self.until(lambda: board.sale and board.till.pay.changer.mask and devices["cashless1"].takes)
        await self.clock.sleep(1)

    async def coin(self, coin=3):
        self.bench.devices["changer"].insert(coin)
        await self.clock.sleep(0.7)

    async def tap(self, row=0, column=0):
        before = self.bench.board.memory.counters["vends"]
        self.bench.panel.tap(row, column, 6, 8)
        return await self.until(lambda: self.bench.board.memory.counters["vends"] > before, 6.0)

    async def lever(self):
        self.bench.devices["changer"].lever()
        await self.clock.sleep(5)

    async def read(self):
        reading = await self.bench.auditor.read()
        assert reading.why == "" and reading.text.wrong == () and reading.text.check_right
        return reading.text


def play(script, **more):
    """Run `script(shop)`, a coroutine function."""

    async def main(clock):
        return await script(Shop(clock, **more))

    return run(main, virtual=True)
