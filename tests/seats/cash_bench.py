"""One payment device on a line in virtual time, asked by a master; everything is heard by the judge too."""

import random
from functools import partial

from benchsim.clock import run
from benchsim.events import LinkInfo
from benchsim.judge import Judge
from benchsim.lines import Line, Trace
from benchsim.links.bus import BlockReader, BusMaster
from benchsim.schema import load_book
from benchsim.schema.bus import Mode

BOOK = load_book()
POLL_S = 0.1  # between two POLLs (MDB/ICP 4.3 §3: 25 to 200 ms)


class Cash:
    """The device, what it said and what happened. `poll` and `ask` are what a controller does."""

    def __init__(self, clock, make, settings, seed=1):
        self.clock, self.trace = clock, Trace(clock)
        self.line = Line("bus", BOOK.bus.word.ticks, clock, self.trace)
        self.judge = Judge([LinkInfo("bus", "board", BOOK.bus.word.ticks)], BOOK, None, None, {})
        self.trace.listeners += [self, self.judge]
        self.reader, self.blocks, self.happenings = BlockReader(BOOK), [], []
        spec = BOOK.devices[make.SPEC]
        seat = next(iter(spec.seats))
        self.device = make(clock, self.line, random.Random(seed), settings, partial(self.trace.happening, seat))
        self.master = BusMaster(clock, self.line, BOOK)
        self.spec, self.address = spec, spec.seats[seat]
        self.mode = Mode(self.device.settings["level"], 0xFF)
        self.got: list[tuple] = []  # events and states told in POLLs, with their fields

    def burst(self, burst):
        self.blocks += self.reader.feed(burst)

    def happening(self, happening):
        self.happenings.append(happening)

    async def outcome(self, data: bytes):
        """How a command ended, the master's way."""
        done = []
        self.master.ask(data, done.append)
        while not done:
            await self.clock.sleep(0.001)
        await self.clock.sleep(0.003)  # the master's ACK is on the line
        return done[0]

    async def ask(self, name: str, **fields):
        """Either "ack", "nak", "silence", or the fields of the answer."""
        outcome = await self.outcome(self.spec.build_command(name, self.address, self.mode, **fields))
        if outcome.kind != "data":
            return outcome.kind
        (message,) = self.spec.parse_answer(name, outcome.data, self.mode)
        return message.fields

    async def poll(self) -> list[tuple]:
        """What one POLL told, by name and values."""
        outcome = await self.outcome(self.spec.build_command("POLL", self.address))
        if outcome.kind != "data":
            return []
        assert len(outcome.data) <= 16  # MDB/ICP 4.3 §5, §6
        told = [(m.name, *m.fields.values()) for m in self.spec.parse_answer("POLL", outcome.data, self.mode)]
        self.got += told
        return told

    async def polls(self, seconds: float) -> list[tuple]:
        """What POLLs told in that time."""
        told, end = [], self.clock.now() + round(seconds * 72_000_000)
        while self.clock.now() < end:
            told += await self.poll()
            await self.clock.sleep(POLL_S - 0.02)
        return told

    async def insist(self, name: str, **fields):
        """Ask until it is not refused."""
        while (answer := await self.ask(name, **fields)) == "nak":
            await self.clock.sleep(0.02)
        return answer

    async def start_up(self) -> None:
        """All that comes after JUST RESET (MDB/ICP 4.3 §5, §6): every type enabled, bills held in escrow."""
        assert (await self.polls(0.3))[0] == ("JUST RESET",)
        changer, level = self.spec.name == "changer", self.device.settings["level"]
        await self.insist("SETUP")
        await self.insist("TUBE STATUS" if changer else "STACKER")
        if level >= (3 if changer else 2):
            told = await self.insist("IDENTIFICATION" if changer else "IDENTIFICATION 2")
            assert await self.insist("FEATURES", features=told["features"]) == "ack"
        if changer:
            assert await self.insist("COIN TYPE", accept=0xFFFF, manual=0) == "ack"
        else:
            assert await self.insist("SECURITY", types=0) == "ack"
            assert await self.insist("BILL TYPE", enable=0xFFFF, escrow=0xFFFF) == "ack"

    def to(self, kind: str) -> list[str]:
        """Where coins or bills went."""
        return [h.data["to"] for h in self.happenings if h.kind == kind]

    def paid(self) -> int:
        """What fell out in payouts, minor units."""
        return sum(h.data["value"] for h in self.happenings if h.kind == "payout")

    def verdicts(self) -> set[tuple]:
        """(rule, outcome) of the device that did not hold; to be asked last. The master here is no pattern of one."""
        self.trace.close()
        self.judge.close(self.clock.now())
        told = [v for v in self.judge.verdicts() if v.judged == self.device.seat]
        assert any(v.outcome == "pass" for v in told)
        return {(v.rule, v.outcome) for v in told if v.outcome in ("fail", "warn")}


def play(make, script, settings=None, seed=1, start=True):
    """Run `script(cash)` (a coroutine function) with the device powered on."""

    async def main(clock):
        cash = Cash(clock, make, settings or {}, seed)
        if start:
            cash.device.start()
        return await script(cash)

    return run(main)
