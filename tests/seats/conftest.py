"""A board on its kit link in virtual time, asked by frames that the crccheck library and this file make."""

import random
import sys
from functools import partial
from pathlib import Path

import pytest
from crccheck.crc import CrcX25

sys.path.insert(0, str(Path(__file__).parent))  # tests are not a package: this finds kit_wire
from kit_wire import unwire, wire

from benchsim.clock import run
from benchsim.events import BREAK, LinkInfo
from benchsim.judge import Judge
from benchsim.lines import Line, Trace
from benchsim.machine import Coils, Cold, Door
from benchsim.schema import load_book
from benchsim.seats.board import Board
from benchsim.seats.cashless import Cashless
from benchsim.seats.changer import Changer
from benchsim.seats.payment import PaymentBus
from benchsim.seats.validator import Validator

MS = 72_000
OPS = {
    "RESET": 1, "IDENT": 2, "POLL": 3, "OPEN-SALE": 4, "CLOSE-SALE": 5, "VEND": 6, "REFUND": 7, "PRICE-BEGIN": 8,
    "PRICE-PART": 9, "PRICE-COMMIT": 10, "SETPOINT": 11, "SURVEY": 12, "SURVEY-READ": 13, "CLOCK": 14,
    "COUNTERS": 15, "PRICE-READ": 16,
}  # fmt: skip
PRICES = [100, 125, 0, 150, 0xFFFF, 175]  # two rows of three: one free, one not for sale


class Purse:
    """Stands where the payment bus's master stands: notes what the board wants of it."""

    def __init__(self, told):
        self.told, self.enabled, self.paid = told, False, []

    def enable(self, cash, max_credit=None, credit=0, dearest=None):
        self.enabled = cash

    def payout(self, amount, paying=None):
        self.paid.append(amount)

    def cash_sold(self, price, item):
        pass

    def set_clock(self, utc):
        pass

    def stop(self):
        self.enabled = False


class Rig:
    """One board of two rows by three columns and a hand that asks it."""

    def __init__(self, clock):
        self.clock, self.trace, spec = clock, Trace(clock), load_book().kit
        self.answers, self.happenings, self.seq, self.events, self.spoken = [], [], 0, [], 0
        self.trace.listeners.append(self)
        self.line = Line("kit", spec.word.ticks, clock, self.trace)
        self.coils = Coils(clock, self.trace, 2, 3)
        self.board = self._board(spec)
        self.line.attach("host", True, self.answered)

    def _board(self, spec):
        return Board(spec, self.clock, self.line, self.trace, self.coils, self._purse)

    def _purse(self, told):
        self.purse = Purse(told)
        return self.purse

    def burst(self, burst):
        self.spoken += burst.sender == "board"

    def happening(self, happening):
        self.happenings.append(happening)

    def answered(self, burst):
        self.answers.append((burst, unwire(burst.words)))

    async def boot(self):
        self.board.power_on()
        await self.clock.sleep(0.6)

    async def body(self, body: bytes) -> bytes | None:
        """Send a body; the answer's body or None."""
        self.answers.clear()
        sent = self.line.say("host", tuple(wire(body)), self.clock.now())
        await self.clock.sleep_until(sent.end + 40 * MS)
        if not self.answers:
            return None
        ((burst, answer),) = self.answers
        assert 0 <= burst.start - sent.end <= 20 * MS  # kit link reference: at most 20 ms
        assert answer[:2] == bytes((body[0] | 0x80, body[1]))
        return answer

    async def ask(self, name: str, payload: bytes = b"", same: bool = False) -> tuple[int, bytes]:
        """A new request (or a repeat): status and what follows it."""
        self.seq = self.seq if same else (self.seq + 1) % 256
        answer = await self.body(bytes((OPS[name], self.seq)) + payload)
        assert answer[2] == 0 or len(answer) == 3  # a status other than 0 stands alone
        return answer[2], answer[3:]

    async def ok(self, name: str, payload: bytes = b"") -> bytes:
        status, rest = await self.ask(name, payload)
        assert status == 0, (name, status)
        return rest

    async def poll(self, same: bool = False) -> tuple[int, int, list]:
        """State, credit, events as (number, code, data)."""
        status, rest = await self.ask("POLL", same=same)
        assert status == 0
        events, at = [], 6
        for _ in range(rest[5]):
            events.append((rest[at], rest[at + 1], rest[at + 3 : at + 3 + rest[at + 2]]))
            at += 3 + rest[at + 2]
        assert at == len(rest)
        return rest[0], int.from_bytes(rest[1:5], "big"), events

    async def drain(self) -> list:
        """All events until none is left, as (code, data)."""
        got = []
        while events := (await self.poll())[2]:
            got += [(code, data) for _, code, data in events]
        return got

    async def send_table(self, prices=PRICES):
        raw = b"".join(p.to_bytes(2, "big") for p in prices)
        await self.ok("PRICE-BEGIN", len(prices).to_bytes(2, "big"))
        await self.ok("PRICE-PART", bytes((0, 0, len(prices))) + raw)
        await self.ok("PRICE-COMMIT", CrcX25.calc(raw).to_bytes(2, "big"))

    async def priced(self):
        await self.boot()
        await self.ok("RESET")
        await self.ok("IDENT")
        await self.send_table()

    async def priced_again(self):
        """A host's start on a board that is on already, the sale opened if that is allowed."""
        await self.ok("RESET")
        await self.ok("IDENT")
        if (await self.ask("PRICE-BEGIN", b"\x00\x06"))[0] == 0:
            await self.send_table()
        await self.ask("OPEN-SALE")

    async def on_sale(self, cash: int = 0):
        await self.priced()
        await self.ok("OPEN-SALE")
        if cash:
            self.purse.told("credit", source="coin", amount=cash)

    def vends(self) -> int:
        return sum(h.kind == "coil" and h.data["state"] == "start" for h in self.happenings)


class ColdRig(Rig):
    """The same with a door, and a compartment that stands at 3 °C in a room of 25 °C."""

    def _board(self, spec):
        self.door, self.cold = Door(self.trace), Cold(self.clock, self.trace)
        self.door.moved.append(lambda is_open: setattr(self.cold, "door_open", is_open))
        self.cold.start()
        return Board(spec, self.clock, self.line, self.trace, self.coils, self._purse, door=self.door, cold=self.cold)


CLASSES = {"changer": Changer, "validator": Validator, "cashless1": Cashless, "cashless2": Cashless}
BOOK = load_book()


class Devices:
    """Payment devices on a bus: {seat: settings}, or {seat: (class, settings)}. All start at once."""

    def __init__(self, clock, trace, seats):
        self.line = Line("bus", BOOK.bus.word.ticks, clock, trace)
        self.rng = random.Random(5)
        for seat, own in seats.items():
            make, settings = own if isinstance(own, tuple) else (CLASSES[seat], own)
            happen = partial(trace.happening, seat)
            setattr(self, seat, make(clock, self.line, self.rng, settings, happen, seat=seat))
            getattr(self, seat).start()


class BusSide:
    """The board's bus side alone with devices. `told` is what it tells the board, `sent` the blocks it says."""

    def __init__(self, clock, seats, make=PaymentBus):
        self.clock, self.trace = clock, Trace(clock)
        self.devices = Devices(clock, self.trace, seats)
        self.judge = Judge([LinkInfo("bus", "board", BOOK.bus.word.ticks)], BOOK)
        self.trace.listeners += [self, self.judge]
        self.told, self.sent, self.happenings = [], [], []
        self.make = make
        self.on()

    def on(self):
        self.pay = self.make(self.clock, self.devices.line, BOOK, self.devices.rng, self._tell)
        self.pay.enable(True)

    def _tell(self, name, **data):
        self.told.append((name, *data.values()))

    def burst(self, burst):
        if burst.out and burst.words[0] != BREAK and len(burst.words) > 1:
            self.sent.append((burst.start, bytes(word & 0xFF for word in burst.words[:-1])))

    def happening(self, happening):
        self.happenings.append(happening)

    def commands(self, address: int) -> list[str]:
        """What was said to a device, without POLLs and what follows at once again, by name."""
        device, names = BOOK.device_at(address), []
        for _, data in self.sent:
            command = device.command_at(data) if data[0] & 0xF8 == address else None
            if command and command.name != "POLL" and names[-1:] != [command.name]:
                names.append(command.name)
        return names

    def conditions(self, address: int) -> list[tuple[int, int]]:
        """(condition, code) told of a device."""
        return [(condition, code) for name, *data in self.told if name == "device"
                for at, condition, code in [data] if at == address]  # fmt: skip

    def paid(self) -> int:
        """What fell out of the changer, minor units."""
        return sum(h.data["value"] for h in self.happenings if h.kind == "payout")

    def failed(self) -> set:
        """(rule, seat) of all that failed or warned; to be asked last."""
        self.trace.close()
        self.judge.close(self.clock.now())
        verdicts = self.judge.verdicts()
        assert sum(v.outcome == "pass" for v in verdicts) > 5
        return {(v.rule, v.judged) for v in verdicts if v.outcome in ("fail", "warn")}


class Machine(Rig):
    """A whole board with real devices on its bus, asked by frames. `verdicts` are of both links."""

    def __init__(self, clock, seats):
        self._seats = seats
        super().__init__(clock)
        links = [LinkInfo("bus", "board", BOOK.bus.word.ticks), LinkInfo("kit", "host", BOOK.kit.word.ticks)]
        self.judge = Judge(links, BOOK)
        self.trace.listeners.append(self.judge)

    def _board(self, spec):
        self.devices = Devices(self.clock, self.trace, self._seats)
        return Board(spec, self.clock, self.line, self.trace, self.coils, bus=(self.devices.line, BOOK, self.devices.rng))

    async def polling(self, seconds: float) -> list:
        """The host polls on. Events as (code, data)."""
        events = []
        for _ in range(round(seconds * 10)):
            events += [(code, data) for _, code, data in (await self.poll())[2]]
            await self.clock.sleep(0.05)
        return events

    def failed(self) -> set:
        """(rule, seat) of all that failed or warned, of the parties on the bus and the machine; asked last."""
        self.trace.close()
        self.judge.close(self.clock.now())
        return {(v.rule, v.judged) for v in self.judge.verdicts() if v.outcome in ("fail", "warn") and v.judged != "host"}


@pytest.fixture
def bus_side():
    """Run `script(side)` with devices {seat: settings} on the bus."""

    def played(script, seats, make=PaymentBus):
        async def main(clock):
            return await script(BusSide(clock, seats, make))

        return run(main)

    return played


@pytest.fixture
def machine():
    """Run `script(machine)` with devices {seat: settings} on the bus."""

    def played(script, seats):
        async def main(clock):
            return await script(Machine(clock, seats))

        return run(main)

    return played


@pytest.fixture
def play_cold():
    """Run `script(rig)` of a board with a cold compartment, in virtual time."""

    def played(script):
        async def main(clock):
            return await script(ColdRig(clock))

        return run(main)

    return played


@pytest.fixture
def play():
    """Run `script(rig)` in virtual time and give back what it returns."""

    def played(script):
        async def main(clock):
            return await script(Rig(clock))

        return run(main)

    return played
