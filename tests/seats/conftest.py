"""A board on its kit link in virtual time, asked by frames that the crccheck library and this file make."""

import sys
from pathlib import Path

import pytest
from crccheck.crc import CrcX25

sys.path.insert(0, str(Path(__file__).parent))  # tests are not a package: this finds kit_wire
from kit_wire import unwire, wire

from benchsim.clock import run
from benchsim.lines import Line, Trace
from benchsim.machine import Coils
from benchsim.schema import load_book
from benchsim.seats.board import Board

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

    def enable(self, cash, max_credit=None):
        self.enabled = cash

    def payout(self, amount):
        self.paid.append(amount)

    def stop(self):
        self.enabled = False


class Rig:
    """One board of two rows by three columns and a hand that asks it."""

    def __init__(self, clock):
        self.clock, self.trace, spec = clock, Trace(clock), load_book().kit
        self.trace.listeners.append(self)
        self.line = Line("kit", spec.word.ticks, clock, self.trace)
        self.coils = Coils(clock, self.trace, 2, 3)
        self.board = Board(spec, clock, self.line, self.trace, self.coils, self._purse)
        self.line.attach("host", True, self.answered)
        self.answers, self.happenings, self.seq, self.events, self.spoken = [], [], 0, [], 0

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

    async def on_sale(self, cash: int = 0):
        await self.priced()
        await self.ok("OPEN-SALE")
        if cash:
            self.purse.told("credit", source="coin", amount=cash)

    def vends(self) -> int:
        return sum(h.kind == "coil" and h.data["state"] == "start" for h in self.happenings)


@pytest.fixture
def play():
    """Run `script(rig)` in virtual time and give back what it returns."""

    def played(script):
        async def main(clock):
            return await script(Rig(clock))

        return run(main)

    return played
