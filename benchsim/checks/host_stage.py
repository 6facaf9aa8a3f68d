"""What a case does around a host under test: customers act, answers are spoilt, cables and power are cut."""

from collections.abc import Callable

from benchsim.checks.stage import BOOT, HAND, NotReached, Stage
from benchsim.events import TICKS_PER_MS, Burst, ticks
from benchsim.links.kit_frames import body_at, one_bit_wrong

READY_WITHIN = 20.0  # seconds for a host under test to start and open the sale


class HostStage(Stage):
    """The board and all else are simulated, so that the stage may look inside them."""

    def __init__(self, bench, person=None, switch=None):
        super().__init__(bench, person, switch)
        self.board = bench.board
        self.tries = bench.book.kit.limits["tries"].high  # of one request

    @property
    def long_gap_ms(self) -> float:
        """A pause that voids a frame: half as long again as the longest legal one."""
        return 1.5 * self.bench.book.kit.limits["gap"].high / TICKS_PER_MS

    @property
    def latest_ms(self) -> float:
        """How long the board may take for an answer."""
        return self.bench.book.kit.limits["answer"].high / TICKS_PER_MS

    # ---- waiting

    async def on_sale(self) -> None:
        """Wait until the host has opened the sale."""
        await self.until(lambda: self.board.sale, READY_WITHIN + self.boot, "the host never opened the sale")

    async def sold(self, vends: int = 1) -> None:
        """Wait until that many products were delivered since the start."""
        await self.until(
            lambda: self.board.memory.counters["vends"] >= vends, 6.0, "the host sent no VEND after the tap"
        )

    # ---- customers

    async def paid_in(self, amount: int) -> None:
        """Wait until the board's credit is at least `amount`."""
        await self.until(lambda: self.board.till.total >= amount, 8.0, "the money put in never became credit")
        await self.told()

    async def told(self) -> None:
        """Wait until the host has taken all events; customers look at the screen before they tap."""
        await self.until(lambda: self.board.queue.empty, 5.0, "the host never took the board's events")
        await self.sleep(0.4)

    async def coins(self, coin_type: int, count: int = 1) -> None:
        """Put coins in, one every half second, and wait for the credit."""
        changer = self.bench.devices["changer"]
        await self.until(lambda: changer.takes(coin_type), 12.0, "the changer was never enabled")
        before = self.board.till.total
        for _ in range(count):
            changer.insert(coin_type)
            await self.sleep(0.5)
        await self.paid_in(before + count * changer.value(coin_type))

    async def bill(self, bill_type: int) -> None:
        """Put a bill in and wait for the credit."""
        validator = self.bench.devices["validator"]
        await self.until(lambda: validator.takes(bill_type), 12.0, "the validator was never enabled")
        before = self.board.till.total
        validator.insert(bill_type)
        await self.paid_in(before + validator.value(bill_type))

    async def card(self, funds: int | None) -> None:
        """Hold a card to the reader and wait for its session."""
        reader = self.bench.devices["cashless1"]
        await self.until(lambda: reader.takes, 15.0, "the reader was never enabled")
        reader.card(funds)
        await self.until(lambda: self.board.till.funds is not None, 8.0, "the card's session never began")
        await self.told()

    def tap(self, row: int, column: int) -> None:
        """Tap a selection on the panel."""
        self.bench.panel.tap(row, column, self.bench.coils.rows, self.bench.coils.columns)

    def price(self, row: int, column: int) -> int:
        """The price in force."""
        return (self.board.memory.prices or self.bench.settings.prices)[row * self.bench.coils.columns + column]

    # ---- what happens to answers on their way

    def lose(self, count: int, name: str | None = None) -> None:
        """The next `count` answers (to an operation) are never sent."""
        self._spoil(count, name, lambda wire, at: None)

    def corrupt(self, count: int, name: str | None = None) -> None:
        """One bit of the next `count` answers is wrong."""

        def say(wire: bytes, at: int) -> None:
            self._say(one_bit_wrong(self.board.spec, wire, body_at(self.board.spec) + 1), at)

        self._spoil(count, name, say)

    def split(self, count: int, gap_ms: float, name: str | None = None) -> None:
        """The next `count` answers come in two pieces with a pause between."""

        def say(wire: bytes, at: int) -> None:
            half = len(wire) // 2
            end = self._say(wire[:half], at).end
            self._say(wire[half:], end + int(gap_ms * TICKS_PER_MS))

        self._spoil(count, name, say)

    def delay(self, count: int, delay_ms: float, name: str | None = None) -> None:
        """The next `count` answers start that long after the request's end."""

        def say(wire: bytes, at: int) -> None:
            self._say(wire, at + int((delay_ms - 2) * TICKS_PER_MS))  # the board's own 2 ms are in `at`

        self._spoil(count, name, say)

    def _say(self, wire: bytes, at: int) -> Burst:
        return self.board.line.say("board", tuple(wire), at)

    def _spoil(self, count: int, name: str | None, say: Callable[[bytes, int], object]) -> None:
        left = [count]

        def trick(answered: str, body: bytes, wire: bytes, at: int):
            if name is not None and answered != name:
                return None
            left[0] -= 1
            if left[0] <= 0:
                self.board.tricks.remove(trick)
            return lambda: say(wire, at)

        self.board.tricks.append(trick)

    # ---- cables and power

    async def host_off_for(self, seconds: float) -> None:
        """The host loses its supply for so long. NotReached where nothing can switch a real one."""
        for on in (False, True):
            if self.bench.host is not None:
                self.bench.host.power_on() if on else self.bench.host.power_off()
            elif not await self.supply("host", on):
                if not self.person:
                    raise NotReached("the host's supply must be switched")
                self.person(f"Switch the host {'on' if on else 'off'}")
                self.boot = BOOT
                await self.sleep(HAND)
            if not on:
                await self.sleep(seconds)

    async def cut_kit(self, seconds: float) -> None:
        """The board's end of the cable is out for so long. What the host says is still heard at its own end."""

        def nothing_of_the_board(burst: Burst) -> Burst | None:
            return burst if burst.out else None

        line = self.bench.lines["kit"]
        line.hurts.append(nothing_of_the_board)
        line.deaf.add("board")
        await self.sleep(seconds)
        line.deaf.remove("board")
        line.hurts.remove(nothing_of_the_board)

    async def lose_the_receipt(self, act: Callable[[], None], seconds: float = 0.6) -> None:
        """`act`, then the next answer with a CREDIT reaches the host, but for so long nothing the host says does."""

        def told(answered: str, body: bytes, wire: bytes, at: int) -> None:
            if answered == "POLL" and self.board.queue.holds("CREDIT"):
                self.board.tricks.remove(told)
                self.board.line.deaf.add("board")

        self.board.tricks.append(told)
        act()
        await self.until(lambda: "board" in self.board.line.deaf, 3.0, "the host did not poll")
        await self.sleep(seconds)
        self.board.line.deaf.remove("board")

    async def reboot(self, off: float = 0.3, cause: int = 0, boot: float = 0.5) -> None:
        """The board is off for a moment and hears the host again `boot` seconds after that."""
        self.board.power_off()
        await self.sleep(off)
        self.board.power_on(cause, ticks(boot))
