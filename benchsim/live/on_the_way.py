"""What is done to words on their way through a tap, by the words of `--spoil`. Each is a hurt of the cable.

    LINK[:SEAT]:HOW[=AMOUNT]@SECONDS[+FOR]     kit:drop=0.2@10+5, kit:host:delay=30@20, bus:changer:corrupt@5

SEAT: only what it says; without it both ways. What arrived together is spoilt together.

    drop[=SHARE]      it is lost                                   SHARE of all, 0 to 1, default 1
    corrupt[=SHARE]   one bit of one word is wrong                 the same
    delay[=MS]        it goes on its way so much later             default 20 ms, at most 10,000
"""

import random
import re
from collections.abc import Callable, Iterator
from typing import NamedTuple

from benchsim.bench import SIDES, Bench
from benchsim.errors import UsageError
from benchsim.events import TICKS_PER_MS, Burst
from benchsim.faults.schedule import LONGEST
from benchsim.lines.cable import Cable
from benchsim.lines.line import Hurt
from benchsim.live.seating import Seating

_FORM = re.compile(r"([a-z]+)(?::([a-z0-9]+))?:([a-z]+)(?:=(\d+(?:\.\d+)?))?@(\d+(?:\.\d+)?)(?:\+(\d+(?:\.\d+)?))?")
USAGE = "LINK[:SEAT]:HOW[=AMOUNT]@SECONDS[+FOR]"


def _drop(share: float, rng: random.Random) -> Hurt:
    return lambda burst: None if rng.random() < share else burst


def _corrupt(share: float, rng: random.Random) -> Hurt:
    def hurt(burst: Burst) -> Burst:
        if burst.is_break or rng.random() >= share:
            return burst
        at, words = rng.randrange(len(burst.words)), list(burst.words)
        words[at] ^= 1 << rng.randrange(8)
        return burst._replace(words=tuple(words))

    return hurt


def _delay(ms: float, rng: random.Random) -> Hurt:
    later = round(ms * TICKS_PER_MS)
    return lambda burst: burst._replace(start=burst.start + later, end=burst.end + later)


class _How(NamedTuple):
    make: Callable[[float, random.Random], Hurt]
    usual: float
    most: float
    unit: str


HOW = {
    "drop": _How(_drop, 1.0, 1.0, "a share from 0 to 1"),
    "corrupt": _How(_corrupt, 1.0, 1.0, "a share from 0 to 1"),
    "delay": _How(_delay, 20.0, 10_000.0, "milliseconds up to 10000"),
}


class Spoil:
    """One thing that happens on the way. `lasts`: seconds, None to the end."""

    def __init__(self, link: str, seat: str, how: str, amount: float, at: float, lasts: float | None, text: str):
        self.link, self.seat, self.how, self.amount = link, seat, how, amount
        self.at, self.lasts, self.text = at, lasts, text
        self.name = text.partition("@")[0]
        self._hurt: Hurt | None = None

    def there(self, now: float) -> bool:
        """Does it last at that second?"""
        return self.at <= now and (self.lasts is None or now < self.at + self.lasts)

    def switch(self, bench: Bench, on: bool) -> None:
        """It begins or ends."""
        cable = bench.lines[self.link]
        if on:
            self._hurt = self._of_one(HOW[self.how].make(self.amount, bench.chance(self.text)))
            cable.hurts.append(self._hurt)
        elif self._hurt:
            cable.hurts.remove(self._hurt)

    def _of_one(self, hurt: Hurt) -> Hurt:
        if not self.seat:
            return hurt
        asks = self.seat == SIDES[self.link][0]
        return lambda burst: hurt(burst) if burst.out is asks and burst.sender in (self.seat, "") else burst


def parse_spoil(text: str, seating: Seating) -> Spoil:
    """The words of --spoil. UsageError says what was expected."""
    found = _FORM.fullmatch(text)
    if not found:
        raise UsageError(f"--spoil {text}: expected {USAGE}, such as kit:drop=0.2@10+5")
    link, seat, how, amount, at, lasts = found.groups()
    if link not in SIDES or link not in seating.tapped:
        tapped = ", ".join(sorted(seating.tapped)) or "none here: give both sides a --port"
        raise UsageError(f"--spoil {text}: expected a link with real seats at both ends ({tapped})")
    seats = [one for chair in seating.chairs if chair.link == link for one in chair.seats]
    if seat and seat not in seats:
        raise UsageError(f"--spoil {text}: expected a real seat of the {link} link: {', '.join(seats)}")
    if how not in HOW:
        raise UsageError(f"--spoil {text}: expected one of {', '.join(HOW)}")
    value = HOW[how].usual if amount is None else float(amount)
    if value > HOW[how].most:
        raise UsageError(f"--spoil {text}: expected {HOW[how].unit} after {how}=")
    if max(float(at), float(lasts or 0)) > LONGEST:
        raise UsageError(f"--spoil {text}: expected at most {LONGEST:g} seconds")
    return Spoil(link, seat or "", how, value, float(at), float(lasts) if lasts else None, text)


def passed_words(bench: Bench) -> Iterator[str]:
    """What became of the words that passed, in a sentence for each way of each cable."""
    for cable in bench.lines.values():
        if not isinstance(cable, Cable):
            continue
        for out, passed in cable.passed.items():
            who = " and ".join(seat or "the devices" for seat in cable.ends[out].seats)
            spoilt = f"{passed.lost} lost, {passed.changed} changed, {passed.later} later on the way"
            added = ""
            if passed.took_us:
                added = f"; passing them on took {passed.quantile(0.5):g} ms (median), {passed.quantile(1):g} ms at worst"
            yield f"{cable.name} link, from {who}: {passed.lumps} lumps of words, {spoilt}{added}"
