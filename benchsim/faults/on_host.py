"""What can be wrong with the touchscreen's computer, its programs and its ports, and with the touch panel."""

from benchsim.events import Burst, ticks
from benchsim.faults.mechanism import Site, Undo, again, all_of, listed, mechanism, on, put
from benchsim.lines.sampling import resampled
from benchsim.seats.till import NOT_FOR_SALE

DAY = 86_400  # seconds
SPAN = 4096  # of a touch coordinate
PROMPT = b"\r\nhost login: "


@mechanism("host hung", needs=("host",))
def host_hung(site: Site) -> Undo:
    """The host's program stands still: no request, no touch, the last picture stays."""
    host = site.bench.host
    host.hang(True)
    return lambda: host.hang(False)


@mechanism("host off", needs=("host",))
def host_off(site: Site) -> Undo:
    """The host gets no supply."""
    host = site.bench.host
    if host.on:
        host.power_off()
    back = put(host, "power_on", lambda: None)

    def undo() -> None:
        back()
        host.power_on()

    return undo


@mechanism("host restarts in a vend", needs=("host", "coils"))
def host_restarts(site: Site, after_s: float, boot_s: float) -> Undo:
    """The host restarts so long after a coil has begun to turn, and needs its time to boot."""
    host, clock = site.bench.host, site.bench.clock
    booting: list = []

    def back() -> None:
        booting.clear()
        host.power_on()

    def restart(happening) -> None:
        if happening.data["state"] == "start" and host.on and not booting:
            host.power_off()
            booting.append(clock.call_at(clock.now() + ticks(boot_s), back))

    return on(site, "coil", restart, lambda: after_s)


@mechanism("host of an old version", needs=("host",))
def old_version(site: Site) -> Undo:
    """The host's program was made for an older board: its VEND carries no price."""
    asker = site.bench.host.asker
    build = asker.spec.build_request

    class Old:
        """The specification as the old program knows it."""

        def __getattr__(self, name: str):
            return getattr(site.bench.book.kit, name)

        def build_request(self, name: str, seq: int, **fields) -> bytes:
            body = build(name, seq, **fields)
            return body[:4] if name == "VEND" else body

    return put(asker, "spec", Old())


@mechanism("prices not committed", needs=("host",))
def not_committed(site: Site) -> Undo:
    """The host sends its price table and never the word that puts it in force."""
    return put(site.bench.host, "commits", False)


@mechanism("price wrong", needs=("host",))
def price_wrong(site: Site, row: int, column: int, factor: float) -> Undo:
    """One price was keyed in wrong, before the host's next start."""
    host, columns = site.bench.host, site.bench.settings.columns
    prices = list(host.prices)
    cell = row * columns + column
    prices[cell] = min(round(prices[cell] * factor), NOT_FOR_SALE - 1)
    return put(host, "prices", prices)


@mechanism("prices lost", needs=("host",))
def prices_lost(site: Site) -> Undo:
    """The file that holds the prices could not be written (disk full or read-only) and is empty after a start."""
    return put(site.bench.host, "prices", [])


@mechanism("host clock wrong", needs=("host",))
def clock_wrong(site: Site, days: float) -> Undo:
    """The host has lost the time of day: it is so many days off."""
    host = site.bench.host
    return put(host, "utc", max(0, round(host.utc + days * DAY)))


@mechanism("login prompt", needs=("host", "kit"))
def login_prompt(site: Site, share: float, every_s: float) -> Undo:
    """The host's system has a login prompt on the link's port: it reads a share of the words before the program
    can, answers them with an echo, and says its prompt again and again.
    """
    line, clock, rng = site.bench.lines["kit"], site.bench.clock, site.rng

    def say(data: bytes) -> None:
        if site.bench.host.on and not line.busy("host"):
            line.say("host", tuple(data), clock.now())

    def stolen(burst: Burst) -> Burst | None:
        if burst.out or rng.random() >= share:
            return burst
        clock.call_at(clock.now() + 1, say, bytes(word & 0x7F for word in burst.words))
        return None

    return all_of(listed(line.hurts, stolen), again(site, lambda: every_s, lambda: say(PROMPT)))


@mechanism("ports exchanged", needs=("host", "kit", "panel"))
def ports_exchanged(site: Site) -> Undo:
    """The system counts its serial ports in another order: the host's program opens the panel's port for the board's
    and the other way round, each at the rate of the other.
    """
    bench = site.bench
    host, kit, panel = bench.host, bench.lines["kit"], bench.lines["panel"]
    rates = {link: bench.book.links[link].word.ticks // 10 for link in ("kit", "panel")}

    def ear(link: str, heard):
        other = "panel" if link == "kit" else "kit"

        def hear(burst: Burst) -> None:
            found = resampled(burst, rates[link], rates[other], 8)
            if found is not None:
                heard(found)

        return hear

    say = panel.say

    def at_kit_rate(who: str, words: tuple[int, ...], at: int, gaps: tuple[int, ...] = (), word: int = 0) -> Burst:
        return say(who, words, at, gaps, kit.word_ticks if who == "host" else word)

    panel.attach("host", True, ear("panel", host.hear_board))
    kit.attach("host", True, ear("kit", host.hear_panel))
    exchanged = all_of(put(panel, "say", at_kit_rate), put(host, "line", panel))

    def undo() -> None:
        exchanged()
        kit.attach("host", True, host.hear_board)
        panel.attach("host", True, host.hear_panel)

    return undo


# ---- the touch panel


@mechanism("panel held", needs=("panel",))
def panel_held(site: Site, x: int, y: int) -> Undo:
    """The panel reports a finger that is not there, for good."""
    return put(site.bench.panel, "stuck", (x, y))


_MAPS = {
    "axes swapped": lambda x, y: (y, x),
    "upside down": lambda x, y: (SPAN - 1 - x, SPAN - 1 - y),
    "not calibrated": lambda x, y: (SPAN // 5 + x * 3 // 5, SPAN // 5 + y * 3 // 5),
}


@mechanism("panel coordinates", needs=("panel",))
def panel_coordinates(site: Site, how: str) -> Undo:
    """What the panel reports is not where the finger is."""
    return put(site.bench.panel, "turned", _MAPS[how])


@mechanism("panel restarts", needs=("panel",))
def panel_restarts(site: Site, every_s: float, boot_s: float) -> Undo:
    """The panel's controller starts anew about this often and is silent while it does."""
    panel, clock = site.bench.panel, site.bench.clock

    def restart() -> None:
        panel.power_off()
        clock.call_at(clock.now() + ticks(boot_s), panel.power_on)

    return again(site, lambda: every_s * site.rng.uniform(0.7, 1.3), restart)


def panel_off(site: Site) -> Undo:
    """The panel gets no supply."""
    panel = site.bench.panel
    panel.power_off()
    back = put(panel, "power_on", lambda: None)

    def undo() -> None:
        back()
        panel.power_on()

    return undo
