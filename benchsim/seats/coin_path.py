"""The way of a coin in a changer, from slot to tube, cash box or return, and what tells of it (MDB/ICP 4.3 §5).

    slot ─► acceptor ─► (fall_s) ─► tube, or cash box
               │ jam, string          └─► beside its tube: ROUTING ERROR
               └─► return
"""

from benchsim.events import ticks
from benchsim.seats.peripheral import Peripheral

TO_BOX, TO_TUBE, REJECTED = 0, 1, 3  # routes of COIN DEPOSITED
TOKEN = 0xFF  # credit of a coin type without a value
_STOPS_COINS = {"ACCEPTOR UNPLUGGED", "COIN JAM", "ROM CHECKSUM"}


class CoinPath(Peripheral):
    """A changer as far as coins come in. `tubes` are the coins really there, by type."""

    def __init__(self, clock, line, rng, settings: dict, happen, seat: str = "", book=None):
        super().__init__(clock, line, rng, settings, happen, seat, book)
        self.tubes: list[int] = list(self.settings["tubes"])
        self.boxed = [0] * 16  # coins in the cash box, by type
        self.stuck: list[int] = []  # coins held by a coin jam
        self._accept = 0  # enabled types
        self._serviced = False  # service fills and empties tubes: no coins are taken
        self._falling: dict[int, int] = {}  # number of the coin -> its type
        self._coins = 0
        self._last_in: int | None = None  # when the last coin came in, bench time
        self._last_boxed: int | None = None
        self._astray = 0  # coins still to miss their tube
        self._blind: set[int] = set()  # tubes with a defective sensor; never iterated
        self._held = False
        self._presses = 0

    def cleared(self) -> None:
        self._accept = 0
        if self._held:
            self._press(self._presses)

    def halted(self) -> None:
        falling, self._falling = self._falling, {}
        for coin in falling.values():
            self._give_back(coin)

    def trouble(self, name: str, on: bool = True) -> None:
        super().trouble(name, on)
        if name == "COIN JAM" and not on:
            stuck, self.stuck = self.stuck, []
            for coin in stuck:
                self._give_back(coin)
        elif name == "TUBE SENSOR DEFECTIVE" and not on:
            self._blind.clear()

    # ---- coins

    def _credit(self, coin: int) -> int:
        credits = self.settings["credits"]
        return credits[coin] if 0 <= coin < len(credits) else 0

    def value(self, coin: int) -> int:
        """What a coin type is worth, minor units; 0 for a token and for a type that is not used."""
        credit = self._credit(coin)
        return 0 if credit == TOKEN else credit * self.settings["scaling"]

    @property
    def box(self) -> int:
        """Value of the coins in the cash box, minor units."""
        return sum(count * self.value(coin) for coin, count in enumerate(self.boxed))

    def empty_box(self) -> None:
        """The cash box is emptied."""
        self.boxed, self._last_boxed = [0] * 16, None

    def takes(self, coin: int) -> bool:
        """Is this coin type enabled?"""
        return self.on and bool(self._accept >> coin & 1)

    def insert(self, coin: int) -> None:
        """A coin of that type is put in."""
        now, before = self.clock.bench_time(), self._last_in
        self._last_in = now
        stopped = self._serviced or _STOPS_COINS & set(self.troubles)
        if stopped or not self._credit(coin) or not self.takes(coin):
            self._give_back(coin)
            if self.settings["tells_rejected"] and self._credit(coin) and not stopped:
                self._deposited(REJECTED, coin)
        elif before is not None and now - before < ticks(self.settings["apart_s"]):
            self._give_back(coin)
            self.report("DOUBLE ARRIVAL")
        else:
            self._coins += 1
            self._falling[self._coins] = coin
            self.after(self.settings["fall_s"], self._land, self._coins)

    def _land(self, number: int) -> None:
        coin = self._falling.pop(number, None)
        if coin is None:
            return
        if "COIN JAM" in self.troubles:
            self.stuck.append(coin)
            return
        fits = coin < len(self.tubes) and self.tubes[coin] < self.settings["capacity"] and not self._is_blind(coin)
        if fits and self._astray:
            self._astray -= 1
            fits = False
            self.report("ROUTING ERROR")
        if fits:
            self.tubes[coin] += 1
        else:
            self.boxed[coin] += 1
        self._last_boxed = None if fits else coin
        self._deposited(TO_TUBE if fits else TO_BOX, coin)
        self._tell(coin, "tube" if fits else "box")

    def _deposited(self, route: int, coin: int) -> None:
        self.report("COIN DEPOSITED", route=route, coin=coin, tube=self._count(coin))

    def _give_back(self, coin: int) -> None:
        self._tell(coin, "return")

    def _tell(self, coin: int, to: str) -> None:
        self.happen("coin", type=coin, value=self.value(coin), to=to)

    def slug(self) -> None:
        """Something that is no coin is put in: it comes back."""
        if self.on:
            self.report_one_more("SLUG")

    def pull_back(self) -> bool:
        """The last coin is on a string and is pulled back before it gives credit. False: too late."""
        if not self._falling:
            return False
        _, coin = self._falling.popitem()
        self._give_back(coin)
        self.report("NO CREDIT")
        return True

    def fish(self) -> bool:
        """Somebody tries to get the last credited coin out of the cash box again. True: it comes."""
        coin, self._last_boxed = self._last_boxed, None
        if coin is not None:
            self.boxed[coin] -= 1
            self._tell(coin, "taken")
        self.report("CREDITED COIN REMOVAL")
        return coin is not None

    def astray(self, coins: int = 1) -> None:
        """The next coins miss their tube and fall in the cash box."""
        self._astray = coins

    # ---- the return lever

    def lever(self) -> None:
        """The return lever is pressed once."""
        self.report("ESCROW REQUEST")

    def hold_lever(self, on: bool = True) -> None:
        """It is held down, or stuck, and told again and again; or let go."""
        self._held, self._presses = on, self._presses + 1
        if on:
            self._press(self._presses)

    def _press(self, press: int) -> None:
        if self._held and press == self._presses:
            if not self.waits("ESCROW REQUEST"):
                self.lever()
            self.after(self.settings["held_s"], self._press, press)

    # ---- sensors of the tubes

    def blind(self, coin: int) -> None:
        """The sensor of a tube is defective from now on: it is told full and empty at once, and gets no more coins."""
        self._blind.add(coin)
        self.trouble("TUBE SENSOR DEFECTIVE")

    def _is_blind(self, coin: int) -> bool:
        """With the state but no tube named, all of them."""
        return "TUBE SENSOR DEFECTIVE" in self.troubles and (not self._blind or coin in self._blind)

    def _count(self, coin: int) -> int:
        """Coins that are definitely in a tube: what its sensors see."""
        if coin >= len(self.tubes) or self._is_blind(coin):
            return 0
        step = self.settings["sensor_step"]
        return min(self.tubes[coin], 255) // step * step
