"""Random customers, devices in trouble and power cuts against the whole payment side. An account kept here, from
what coins, bills, cards and coils really did, must agree with what the board holds and owes; and no rule on the
board fails.

    coins and bills in + charged = sold + paid out + credit + owed
"""

from itertools import combinations

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from benchsim.seats.cashless import Cashless
from benchsim.seats.changer import Changer
from benchsim.seats.validator import Validator

PRICES = {(0, 0): 100, (0, 1): 125, (0, 2): 0, (1, 0): 150, (1, 2): 175}
WHOLE_TURN = 2.0  # seconds: a coil's turn and the look after it; one that stops sooner was interrupted
COINS, BILLS = [5, 10, 20, 50, 100, 200], [500, 1000, 2000]


class Lossy:
    """A device that notes the money of which it had not told when it was reset."""

    lost: list

    def _reset(self):
        self.lost += [value for event in getattr(self, "_events", ()) if (value := self.money(event))]
        super()._reset()


class LossyChanger(Lossy, Changer):
    lost: list = []

    def money(self, event):  # 01rrtttt: route 0 cash box, 1 tube (MDB/ICP 4.3 §5)
        return COINS[event[0] & 15] if event[0] >> 4 in (0b0100, 0b0101) else 0


class LossyValidator(Lossy, Validator):
    lost: list = []

    def money(self, event):  # 1rrrtttt: route 0 stacked (§6)
        return BILLS[event[0] & 15] if event[0] >> 4 == 0b1000 else 0


class Account:
    """What really happened, from off the links, and from raw words what a reader was asked for."""

    def __init__(self, trace):
        self.taken = self.paid = self.charged = self.sold = 0
        self.open = {}  # reader -> price that it was asked for and has not been told the outcome of
        self.uncharged = []  # prices of vends that a reader's reset has cut off
        self._funds, self._asked, self._started, self._fell = {}, {}, 0, False
        trace.listeners.append(self)

    def burst(self, burst):
        words = [word & 0xFF for word in burst.words]
        reader = {0x13: "cashless1", 0x63: "cashless2"}.get(words[0]) if burst.out else None
        if reader and words[1] == 0 and len(words) == 7:  # VEND REQUEST: price, item (§7)
            self.open[reader] = words[2] << 8 | words[3]
        elif reader and words[1] == 3:  # VEND FAILURE
            self.open.pop(reader, None)

    def reset(self, reader):
        """That reader forgets its vend."""
        if price := self.open.pop(reader, 0):
            self.uncharged.append(price)

    def happening(self, h):
        data = h.data
        if (h.kind == "coin" and data["to"] in ("tube", "box")) or (h.kind == "bill" and data["to"] == "stacked"):
            self.taken += data["value"]
        elif h.kind == "payout":
            self.paid += data["value"]
        elif h.kind == "card" and data["state"] == "in":
            self._funds[h.seat] = data["funds"]
        elif h.kind == "card" and data["state"] == "charged":
            self.charged += self._funds[h.seat] - data["funds"]
            self._funds[h.seat] = data["funds"]
            self.open.pop(h.seat, None)
        elif h.kind == "coil" and data["state"] == "start":
            self._started, self._fell = h.time, False
        elif h.kind == "drop":
            self._fell = True
        elif h.kind == "coil" and self._fell and h.time - self._started >= WHOLE_TURN * 72_000_000:
            self.sold += PRICES[data["row"], data["column"]]

    def missing(self, memory) -> int:
        return self.taken + self.charged - self.sold - self.paid - memory.cash - memory.owed


def explains(amount: int, lost: list[int], uncharged: list[int]) -> bool:
    """Is the amount made of money that devices lost before they told of it, less what they forgot to charge?"""
    parts = [*lost, *(-one for one in uncharged)]
    return any(sum(some) == amount for n in range(len(parts) + 1) for some in combinations(parts, n))


READER = st.sampled_from(["cashless1", "cashless2"])
DEVICE = st.sampled_from(["changer", "validator", "cashless1", "cashless2"])
TROUBLE = st.sampled_from(["COIN JAM", "TUBE JAM", "ACCEPTOR UNPLUGGED"])
STEP = st.one_of(
    st.tuples(st.just("coin"), st.integers(0, 5)),
    st.tuples(st.just("coin"), st.just(4)),
    st.tuples(st.just("bill"), st.integers(0, 2)),
    st.tuples(st.just("lever"), st.none()),
    st.tuples(st.just("refund"), st.none()),
    st.tuples(st.just("card"), READER),
    st.tuples(st.just("pull"), READER),
    st.tuples(st.just("vend"), st.sampled_from(sorted(PRICES))),
    st.tuples(st.just("vend"), st.just((0, 0))),
    st.tuples(st.just("empty coil"), st.sampled_from(sorted(PRICES))),
    st.tuples(st.just("door"), st.booleans()),
    st.tuples(st.just("lock"), st.integers(0, 1)),
    st.tuples(st.just("trouble"), TROUBLE),
    st.tuples(st.just("mend"), TROUBLE),
    st.tuples(st.just("restart"), st.tuples(DEVICE, st.sampled_from([0.01, 0.5, 6.0]))),
    st.tuples(st.just("mute"), st.tuples(DEVICE, st.sampled_from([0.2, 3.0, 8.0]))),
    st.tuples(st.just("power cut"), st.sampled_from([0.01, 0.8])),
)
WAIT = st.sampled_from([0.0, 0.05, 0.15, 0.4, 1.1, 2.3])


class Street:
    """What customers, service and accidents do to the machine."""

    def __init__(self, m, account):
        self.m, self.d, self.account = m, m.devices, account

    async def act(self, what, which):
        await getattr(self, "_" + what.replace(" ", "_"))(which)

    async def _coin(self, coin):
        self.d.changer.insert(coin)

    async def _bill(self, bill):
        self.d.validator.insert(bill)

    async def _lever(self, _):
        self.d.changer.lever()

    async def _refund(self, _):
        await self.m.ask("REFUND")

    async def _card(self, seat):
        getattr(self.d, seat).card(260)

    async def _pull(self, seat):
        getattr(self.d, seat).pull()

    async def _vend(self, where):
        await self.m.ask("VEND", bytes(where) + PRICES[where].to_bytes(2, "big"))

    async def _empty_coil(self, where):
        self.m.coils.empty ^= {where}

    async def _door(self, is_open):
        self.m.board.door(is_open)
        await self.m.ask("OPEN-SALE")

    async def _lock(self, reason):
        self.m.board.lock_out(reason)
        await self.m.ask("OPEN-SALE")

    async def _trouble(self, name):
        self.d.changer.trouble(name)

    async def _mend(self, name):
        self.d.changer.trouble(name, False)

    async def _restart(self, which):
        seat, away = which
        getattr(self.d, seat).stop()
        await self.m.polling(away)
        getattr(self.d, seat).start()

    async def _mute(self, which):
        seat, away = which
        getattr(self.d, seat).bus.muted = True
        await self.m.polling(away)
        getattr(self.d, seat).bus.muted = False

    async def _power_cut(self, away):
        self.m.board.power_off()
        await self.m.clock.sleep(away)
        self.m.board.power_on()
        await self.m.clock.sleep(0.55)
        await self.m.priced_again()


@settings(max_examples=12, deadline=None, phases=(Phase.explicit, Phase.reuse, Phase.generate), suppress_health_check=list(HealthCheck))
@given(st.lists(st.tuples(STEP, WAIT), min_size=3, max_size=14), st.sampled_from([2, 3]), st.booleans())
def test_no_money_is_lost_or_made(machine, steps, level, multivend):
    lost = []

    class Forgetful(Cashless):
        def _reset(self):
            if account:
                account[0].reset(self.seat)
            super()._reset()

    account = []
    changer = type("OneChanger", (LossyChanger,), {"lost": lost})
    validator = type("OneValidator", (LossyValidator,), {"lost": lost})
    seats = {"changer": (changer, {"level": level, "tubes": [5, 5, 3, 6]}), "validator": (validator, {}),
             "cashless1": (Forgetful, {"multivend": multivend}), "cashless2": (Forgetful, {})}  # fmt: skip

    async def script(m):
        account.append(Account(m.trace))
        await m.boot()
        await m.priced_again()
        await m.polling(2)
        street = Street(m, account[0])
        for (what, which), wait in steps:
            await street.act(what, which)
            await m.polling(wait)
        for what, which in [("door", False), ("lock", 0), ("mend", "COIN JAM"), ("mend", "TUBE JAM"),
                            ("mend", "ACCEPTOR UNPLUGGED"), ("pull", "cashless1"), ("pull", "cashless2")]:  # fmt: skip
            await street.act(what, which)
        await m.polling(22)  # the slowest end: a reader that never answered, a payout coin by coin
        missing = account[0].missing(m.board.memory)
        assert explains(missing, lost, account[0].uncharged), (missing, lost, account[0].uncharged)
        m.failed()
        return [v for v in m.judge.verdicts() if v.judged == "board" and v.outcome == "fail"]

    assert machine(script, seats) == []


def test_the_account_sees_what_it_should():
    assert explains(0, [], []) and not explains(50, [], []) and explains(50, [50, 100], []) and explains(-25, [100], [125])
