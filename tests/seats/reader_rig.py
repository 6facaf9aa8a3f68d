"""One reader alone on the bus with a master that says what a test wants, in virtual time.

Commands and answers are bytes without checksum, written by hand in hex (MDB/ICP 4.3 §7).
"""

import asyncio
import random
from functools import partial

from benchsim.clock import run
from benchsim.events import LinkInfo
from benchsim.judge import Judge
from benchsim.lines import Line, Trace
from benchsim.links.bus import BusMaster
from benchsim.schema import load_book
from benchsim.seats.cashless import Cashless

BOOK = load_book()


class Rig:
    """`ask` a command, `poll`, `drain` what waits. Answers: "ack", "nak", "silence", or data in hex."""

    def __init__(self, clock, seed=1, **settings):
        self.clock, self.trace = clock, Trace(clock)
        self.line = Line("bus", BOOK.bus.word.ticks, clock, self.trace)
        self.master = BusMaster(clock, self.line, BOOK)
        self._seat("cashless1", seed, settings)
        self.judge = Judge([LinkInfo("bus", "board", BOOK.bus.word.ticks)], BOOK)
        self.trace.listeners.append(self.judge)
        self.lost = 0  # of the controller's next replies, how many are lost
        self.line.hurts.append(self._lose)

    def _seat(self, seat, seed, settings):
        self.seat, self.address, self.happenings = seat, BOOK.address_of(seat), []
        self.trace.listeners.append(self)
        happen = partial(self.trace.happening, seat)
        self.reader = Cashless(self.clock, self.line, random.Random(seed), settings, happen, seat)

    @classmethod
    def beside(cls, rig, seat, seed=2, **settings):
        """A second reader on the same bus, asked by the same master."""
        other = cls.__new__(cls)
        other.__dict__ |= rig.__dict__
        other._seat(seat, seed, settings)
        return other

    def _lose(self, burst):
        if burst.out and self.lost and len(burst.words) == 1:
            self.lost -= 1
            return None
        return burst

    def burst(self, burst):
        pass

    def happening(self, happening):
        if happening.kind == "card" and happening.seat == self.seat:
            self.happenings.append((happening.data["state"], happening.data["funds"]))

    async def ask(self, command: str) -> str:
        """Say a command and wait 30 ms more than it takes."""
        raw = bytes.fromhex(command)
        done = asyncio.get_running_loop().create_future()
        self.master.ask(bytes((raw[0] - 0x10 + self.address,)) + raw[1:], done.set_result)
        outcome = await done
        await self.clock.sleep(0.03)
        return outcome.data.hex(" ") if outcome.kind == "data" else outcome.kind

    async def poll(self) -> str:
        return await self.ask("12")

    async def drain(self, seconds: float = 0) -> list[str]:
        """POLL every 100 ms or so for a time, and until nothing more comes; the data that came."""
        found, until = [], self.clock.now() + round(seconds * 72_000_000)
        while True:
            answer = await self.poll()
            if answer != "ack":
                found.append(answer)
            elif self.clock.now() >= until:
                return found
            await self.clock.sleep(0.06)

    async def say(self, *commands: str) -> list[str]:
        """Several, and what came of each."""
        return [await self.ask(command) for command in commands]

    def broken(self) -> list[str]:
        """["RULE seat outcome"] of all that is neither pass nor unseen, once all is over."""
        self.trace.close()
        self.judge.close(self.clock.now())
        return [f"{v.rule} {v.judged} {v.outcome}" for v in self.judge.verdicts() if v.outcome not in ("pass", "unseen")]


def play(script, **settings):
    """Run `script(rig)`; the reader has power."""

    async def main(clock):
        rig = Rig(clock, **settings)
        rig.reader.start()
        rig.master.hold(8_000_000)  # 111 ms
        await clock.sleep(0.4)
        return await script(rig)

    return run(main)
