"""What can be wrong with a link: open pairs, loose contacts, noise, bits, words and rates.

A hurt changes what arrives, so the trace tells what a recorder at the hearing end would have recorded.
"""

from functools import partial

from benchsim.events import FRAMING, MODE, Burst, ticks
from benchsim.faults.mechanism import Site, Undo, added, again, all_of, listed, mechanism, put
from benchsim.faults.on_devices import unfed
from benchsim.lines.sampling import resampled

DATA_BITS = 8  # that noise can reach; the ninth bit is a fault of its own


def _hurt(line, pair: str, change) -> Undo:
    """Change the words of a pair ("out", "in" or "both", as the asking side sees it) on their way. `change(words)`
    gives those that arrive, the same tuple for none changed.
    """

    def hurt(burst: Burst) -> Burst | None:
        if burst.is_break or (pair != "both" and burst.out != (pair == "out")):
            return burst
        words = change(burst.words)
        if len(words) != len(burst.words):
            return _without(burst, words)
        return burst if words is burst.words else burst._replace(words=words)

    return listed(line.hurts, hurt)


def _without(burst: Burst, kept: tuple) -> Burst | None:
    """The burst with some words lost: `kept` holds (number, word). Their places are gaps now."""
    if not kept:
        return None
    length, starts = burst.word_ticks(), burst.word_starts()
    begins = [starts[number] for number, _ in kept]
    gaps = (0, *(b - a - length for a, b in zip(begins, begins[1:], strict=False)))
    return burst._replace(
        start=begins[0], end=begins[-1] + length, words=tuple(word for _, word in kept), gaps=gaps if any(gaps) else ()
    )


def _answering(site: Site, link: str) -> set[str]:
    asks = site.bench.book.links[link].asks
    return {seat for seat in site.bench.lines[link].seats if seat != asks}


def open_pair(site: Site, link: str, pair: str) -> Undo:
    """One pair carries nothing."""
    line = site.bench.lines[link]
    if pair == "out":
        return added(line.deaf, _answering(site, link))
    return listed(line.hurts, lambda burst: burst if burst.out else None)


def cut(site: Site, link: str) -> Undo:
    """Both pairs."""
    return all_of(open_pair(site, link, "out"), open_pair(site, link, "in"))


@mechanism("pair open", needs=("{link}",), one_ended=True)
def pair_open(site: Site, link: str, pair: str) -> Undo:
    """A pair (out: of the asking side, in: of those that answer) is open at the asking side's connector."""
    return open_pair(site, link, pair)


@mechanism("cable out", needs=("{link}",), one_ended=True)
def cable_out(site: Site, link: str) -> Undo:
    """The cable is out at the asking side: nothing passes either way."""
    return cut(site, link)


@mechanism("pairs exchanged", needs=("{link}",), one_ended=True)
def pairs_exchanged(site: Site, link: str) -> Undo:
    """Both transmitters sit on one pair, both receivers on the other: nobody hears anybody."""
    return cut(site, link)


@mechanism("bus unplugged", needs=("bus",), one_ended=True)
def bus_unplugged(site: Site) -> Undo:
    """The bus harness is out at the board: no word passes and no device is fed."""
    return all_of(cut(site, "bus"), *(unfed(device) for device in site.bench.devices.values()))


@mechanism("contact loose", needs=("{link}",), one_ended=True)
def contact_loose(site: Site, link: str, per_minute: float, length_s: float) -> Undo:
    """A contact of the cable opens so many times a minute by chance, for about so long each time."""
    opened: list[Undo] = []

    def close() -> None:
        while opened:
            opened.pop()()

    def flip() -> None:
        close() if opened else opened.append(cut(site, link))

    flipping = again(site, lambda: site.rng.expovariate(1 / length_s if opened else per_minute / 60), flip)
    return all_of(close, flipping)


@mechanism("bits flipped", needs=("{link}",))
def bits_flipped(site: Site, link: str, pair: str, rate: float) -> Undo:
    """One data bit of so large a share of the words arrives wrong, by chance."""
    return _hurt(site.bench.lines[link], pair, partial(_flipped, site.rng, rate))


def _flipped(rng, rate: float, words: tuple[int, ...]) -> tuple[int, ...]:
    hit = [i for i in range(len(words)) if rng.random() < rate]
    if not hit:
        return words
    return tuple(word ^ 1 << rng.randrange(DATA_BITS) if i in hit else word for i, word in enumerate(words))


@mechanism("bits missing", needs=("{link}",))
def bits_missing(site: Site, link: str, pair: str, rate: float) -> Undo:
    """The line comes back to idle too slowly: in so large a share of the words a 1 is read as 0."""

    def change(words: tuple[int, ...]) -> tuple[int, ...]:
        hit = [i for i, word in enumerate(words) if word & 0xFF and site.rng.random() < rate]
        if not hit:
            return words
        return tuple(word & ~_one_bit(site.rng, word) if i in hit else word for i, word in enumerate(words))

    return _hurt(site.bench.lines[link], pair, change)


def _one_bit(rng, word: int) -> int:
    return rng.choice([1 << bit for bit in range(DATA_BITS) if word >> bit & 1])


@mechanism("noise of coils", needs=("{link}", "coils"))
def noise_of_coils(site: Site, link: str, rate: float) -> Undo:
    """While a coil's motor runs, one bit of so large a share of the words is flipped."""
    coils = site.bench.coils

    def change(words: tuple[int, ...]) -> tuple[int, ...]:
        return _flipped(site.rng, rate, words) if coils.turning else words

    return _hurt(site.bench.lines[link], "both", change)


@mechanism("words lost", needs=("{link}",))
def words_lost(site: Site, link: str, pair: str, rate: float) -> Undo:
    """So large a share of the words never arrives, by chance."""

    def change(words: tuple[int, ...]) -> tuple:
        kept = tuple((i, word) for i, word in enumerate(words) if site.rng.random() >= rate)
        return words if len(kept) == len(words) else kept

    return _hurt(site.bench.lines[link], pair, change)


@mechanism("sense reversed", needs=("{link}",))
def sense_reversed(site: Site, link: str, pair: str) -> Undo:
    """The two wires of a pair are exchanged: what was 1 is 0, and no word has a stop bit."""
    bits = (1 << site.bench.book.links[link].word.data_bits) - 1
    return _hurt(site.bench.lines[link], pair, lambda words: tuple(word & ~bits | ~word & bits | FRAMING for word in words))


@mechanism("mode bit stuck", needs=("bus", "{seat}"))
def mode_bit_stuck(site: Site, seat: str, value: int) -> Undo:
    """The ninth bit of every word that a seat says is always the same."""

    def hurt(burst: Burst) -> Burst:
        if burst.sender != seat or burst.is_break:
            return burst
        return burst._replace(words=tuple(word | MODE if value else word & ~MODE for word in burst.words))

    return listed(site.bench.lines["bus"].hurts, hurt)


@mechanism("gaps added", needs=("{link}", "{seat}"))
def gaps_added(site: Site, link: str, seat: str, gap_ms: float) -> Undo:
    """What stands in a seat's line hands each word on late: so long a gap before every word but the first."""
    line = site.bench.lines[link]
    say, gap = line.say, ticks(gap_ms / 1000)

    def slowly(who: str, words: tuple[int, ...], at: int, gaps: tuple[int, ...] = (), word: int = 0) -> Burst:
        if who == seat and len(words) > 1:
            gaps = tuple(one + (gap if i else 0) for i, one in enumerate(gaps or (0,) * len(words)))
        return say(who, words, at, gaps, word)

    return put(line, "say", slowly)


@mechanism("rate wrong", needs=("{link}", "{seat}"))
def rate_wrong(site: Site, link: str, seat: str, baud: int) -> Undo:
    """A seat's port runs at another rate: what it says and what it hears is sampled at the wrong moments."""
    line, word = site.bench.lines[link], site.bench.book.links[link].word
    right, wrong = word.ticks // (word.data_bits + 2), ticks(1 / baud)
    say = line.say

    def at_wrong_rate(who: str, words: tuple[int, ...], at: int, gaps: tuple[int, ...] = (), length: int = 0) -> Burst:
        return say(who, words, at, gaps, wrong * (word.data_bits + 2) if who == seat else length)

    def hurt(burst: Burst) -> Burst | None:
        if burst.is_break:
            return burst
        sent, heard = (wrong, right) if burst.sender == seat else (right, wrong)
        return resampled(burst, sent, heard, word.data_bits)

    return all_of(put(line, "say", at_wrong_rate), listed(line.hurts, hurt))
