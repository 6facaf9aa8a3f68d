"""How well a port tells time: probes go out through it and come back by a loop at its other end.

    bench ──word──► port ──► wire ──► loop (out joined to in, or a program that gives back what it reads)
          ◄──told── port ◄── wire ◄──

What comes back is told as it would be of a real thing. Its error, the time that it was told of less the
time at which it was said, is the delay there and back: no time taken through this port is off by more than
the worst of them. Single words give the delay, blocks the gaps and how many words one reading holds.
"""

import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, field
from math import ceil

from benchsim.clock.clocks import RealClock
from benchsim.errors import UsageError
from benchsim.events import MODE, TICKS_PER_MS, Burst, seconds
from benchsim.lines import Line, Trace
from benchsim.ports.base import Port
from benchsim.ports.waiting import Waiting
from benchsim.ports.where import open_port, own_loop
from benchsim.schema.word import WordFormat

SINGLES, BLOCKS, BLOCK = 200, 40, 16  # probes of one word, probes of a block, words of a block
PATIENCE = 0.5  # seconds until a probe is lost
WARM = 5  # probes before the first that counts: if none of them comes back there is no loop
SHORT, LONG = 0.002, 0.009  # seconds between probes: drawn from these, to meet an adapter at all its moods
LEAST = 20  # probes that must be left for those across a stall of this computer to be set aside
STALL = 2 * TICKS_PER_MS
_MIRROR = """
import os, sys
fd = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)
while True:
    os.write(fd, os.read(fd, 4096))
"""


@dataclass
class Found:
    """What probes have shown. Times in ticks."""

    quiet: list[int] = field(default_factory=list)  # delay of the last word of each probe, there and back
    stalled: list[int] = field(default_factory=list)  # the same where this computer was too busy meanwhile
    gaps: list[int] = field(default_factory=list)  # idle line that was told between words said without any
    most: int = 0  # words that one reading held
    lost: int = 0  # probes that did not come back whole

    @property
    def busy(self) -> bool:
        """The computer was so busy that its stalls are part of what was measured."""
        return len(self.quiet) < LEAST

    @property
    def delays(self) -> list[int]:
        """Those that count."""
        return self.quiet + self.stalled if self.busy else self.quiet

    def quantile(self, part: float) -> int:
        """The delay that all but `1 - part` of the probes keep."""
        return sorted(self.delays)[min(len(self.delays) - 1, ceil(part * len(self.delays)) - 1)]

    @property
    def uncertainty(self) -> int:
        """Ticks by which a time may be off: the worst delay, up to the next tenth of a millisecond."""
        tenth = TICKS_PER_MS // 10
        return max(tenth, ceil(max(self.delays) / tenth) * tenth)

    @property
    def jitter(self) -> int:
        """From the least delay to the worst."""
        return max(self.delays) - min(self.delays)

    @property
    def chunks(self) -> bool:
        """Gaps inside a block are not measured: words come several at once, or less regular than they should."""
        return self.most > 1 or max(self.gaps, default=0) >= TICKS_PER_MS // 2


class Prober:
    """Sends probes on a line of its own, with a port on the other side.

    `waited`: ticks for which this computer has let anything wait so far.
    """

    def __init__(self, clock: RealClock, link: str, where: str, word: WordFormat, rng, waited: Callable[[], int]):
        self.clock, self.rng = clock, rng
        self.line = Line(link, word.ticks, clock, Trace(clock))
        self.line.attach("bench", True, self._hear)
        self.port: Port = open_port(where, self.line, "adapter", False, word)
        self.nine = word.data_bits == 9
        self.found = Found()
        self._back: list[tuple[int, int]] = []  # end of each word that came back, tick of its reading
        self._stalls = 0
        self._waited = waited
        clock.tell_late(self._late)

    async def run(self) -> Found:
        """All probes. UsageError if nothing comes back. The first words only wake the port up."""
        try:
            await self._warm_up()
            for count in [1] * SINGLES + [BLOCK] * BLOCKS:
                await self._probe(count)
        finally:
            self.port.close()
        return self.found

    async def _warm_up(self) -> None:
        for _ in range(WARM):
            await self._probe(1)
        if self.found.lost == WARM:
            raise UsageError(
                f"{self.line.name}: nothing came back; join the adapter's out to its in, or leave --loopback out"
            )
        self.found = Found()

    async def _probe(self, count: int) -> None:
        words = tuple(0x55 + i | (MODE if self.nine and i == 0 else 0) for i in range(count))
        self._back.clear()
        stalls, waited = self._stalls, self._waited()
        burst = self.line.say("bench", words, self.clock.now() + TICKS_PER_MS)
        for _ in range(int(PATIENCE / SHORT)):
            await self.clock.sleep(SHORT)
            if len(self._back) >= count and self.clock.now() >= burst.end:
                break
        if len(self._back) != count:
            self.found.lost += 1
        else:
            self._note(burst, self._stalls != stalls or self._waited() - waited > STALL)
        await self.clock.sleep(self.rng.uniform(SHORT, LONG))

    def _note(self, burst: Burst, stalled: bool) -> None:
        found, back = self.found, self._back
        (found.stalled if stalled else found.quiet).append(max(0, back[-1][0] - burst.end))
        readings = [reading for _, reading in back]
        found.most = max(found.most, *(readings.count(reading) for reading in set(readings)))
        if not stalled:
            for (end, reading), (next_end, next_reading) in zip(back, back[1:], strict=False):
                if reading != next_reading:
                    found.gaps.append(max(0, next_end - end - self.line.word_ticks))

    def _hear(self, burst: Burst) -> None:
        now, length = self.clock.now(), burst.word_ticks()
        self._back += [(start + length, now) for start in burst.word_starts()]

    def _late(self, late: int) -> None:
        self._stalls += 1


async def qualify(clock: RealClock, link: str, where: str, word: WordFormat, rng) -> Found:
    """Measure `where` with a loop at its other end: for a pseudo-terminal a program of our own, else the user's."""
    waiting, mirror = Waiting(None), None
    try:
        prober = Prober(clock, link, where, word, rng, waiting.ticks)
        if own_loop(where):
            mirror = subprocess.Popen([sys.executable, "-c", _MIRROR, prober.port.path], stderr=subprocess.DEVNULL)
            await clock.sleep(0.5)
        return await prober.run()
    finally:
        waiting.close()
        if mirror:
            mirror.kill()
            mirror.wait()


def ms(ticks: int) -> float:
    """Milliseconds to the microsecond, for people and files."""
    return round(seconds(ticks) * 1000, 3)
