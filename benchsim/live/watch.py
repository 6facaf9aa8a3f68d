"""What a live bench shows of itself: traffic of each link, seats, last events, how the verdicts stand.

It is a listener like the judge, and keeps numbers only: memory does not grow.
"""

from collections import deque
from dataclasses import dataclass, field

from benchsim.events import FRAMING, Burst, Happening, LinkInfo, seconds
from benchsim.judge import Judge
from benchsim.schema import Book

EVENTS = 12  # last ones kept
BOARD_STATES = ("starting", "identified", "priced", "on sale", "vending", "locked out", "service")
QUIET = ("touch", "case", "cold")  # happenings that say too little to be told


class GrowingStalls:
    """Stalls as far as they are told: the verdicts at the end know all of them beforehand."""

    def __init__(self):
        self._last: tuple[int, int] | None = None

    def stall(self, told: int, length: int) -> None:
        """One of so many ticks was told."""
        self._last = told, length

    def doubt(self, start: int, end: int) -> int:
        """Of the last one only: what was judged before cannot be taken back."""
        told, length = self._last or (0, 0)
        return length if self._last and told - length <= end and start <= told else 0


@dataclass
class Traffic:
    """One link so far."""

    words: int = 0
    wrong: int = 0  # words with wrong stop bits, and blocks or frames that nobody could take
    rate: int = 0  # words in the last second
    before: int = field(default=0, repr=False)

    def second(self) -> None:
        """A second has passed."""
        self.rate, self.before = self.words - self.before, self.words


class Watch:
    """Listens to a bench. `told(time_s, line)` gets every event worth telling; `seats`: whose verdicts count, if not all."""

    def __init__(self, links: list[LinkInfo], book: Book, subject: str | None, told=lambda time_s, line: None,
                 seats: frozenset[str] = frozenset()):  # fmt: skip
        self.traffic = {info.name: Traffic() for info in links}
        self.last: deque[tuple[float, str]] = deque(maxlen=EVENTS)
        self.stalls = 0  # ticks in all
        self._told, self._growing = told, GrowingStalls()
        self.judge = Judge(links, book, None, subject, stalls=self._growing)
        self.judge.only = seats
        self.judge.calls("kit.frame").append(lambda heard: self._broken("kit", heard))
        self.judge.calls("panel.frame").append(lambda heard: self._broken("panel", heard))
        self.judge.calls("audit.item").append(lambda heard: self._broken("audit", heard))
        self.judge.calls("bus.heard").append(lambda heard: self._broken("bus", heard))

    def burst(self, burst: Burst) -> None:
        """Count, and judge."""
        traffic = self.traffic[burst.link]
        traffic.words += len(burst.words)
        traffic.wrong += sum(word & FRAMING != 0 for word in burst.words)
        self.judge.burst(burst)

    def happening(self, happening: Happening) -> None:
        """The same; what people want to know is told."""
        if happening.kind == "late":
            self.stalls += happening.data["us"] * 72
            self._growing.stall(happening.time, happening.data["us"] * 72)
        self.judge.happening(happening)
        line = _line(happening)
        if line:
            self.tell(happening.time, line)

    def tell(self, time: int, line: str) -> None:
        """Something to be read by people, at a tick."""
        self.last.append((seconds(time), line))
        self._told(seconds(time), line)

    def second(self) -> None:
        """A second has passed."""
        for traffic in self.traffic.values():
            traffic.second()

    def _broken(self, link: str, heard) -> None:
        self.traffic[link].wrong += bool(heard.broken)


def _line(happening: Happening) -> str:
    data, seat, kind = happening.data, happening.seat, happening.kind
    if kind in QUIET or (kind == "late" and data.get("who") != "link"):
        return ""
    if kind == "port":
        return f"{data['link']} link of {seat or 'the devices'}: {data['where']} {data['why'] if data['there'] else 'is lost: ' + data['why']}"
    if kind == "late":
        return f"nothing of the last {data['us'] / 1e6:.1f} s was measured"
    if kind == "fault":
        return f"fault {data['name']} {'begins' if data['on'] else 'ends'}"
    if kind == "screen":
        return f"{seat} screen: {data['text']}"
    return f"{seat} {kind} {', '.join(f'{key} {_word(value)}' for key, value in data.items())}".rstrip()


def _word(value: object) -> str:
    return {True: "yes", False: "no", None: "unknown"}.get(value, str(value)) if not isinstance(value, int) or isinstance(value, bool) else str(value)


def seat_states(bench, real: dict[str, str]) -> dict[str, str]:
    """{seat: how it is}. `real`: what to say of real seats."""
    states = {seat: "real: " + text for seat, text in sorted(real.items())}
    if bench.board:
        on = f"{BOARD_STATES[bench.board.state]}, credit {bench.board.till.total / 100:.2f}"
        states["board"] = on if bench.board.on else "off"
    if bench.host:
        states["host"] = bench.host.screen.text if bench.host.on else "off"
    for seat, device in bench.devices.items():
        states[seat] = ", ".join(["on" if device.on else "no supply", *map(str.lower, device.troubles)])
    if bench.auditor:
        states["auditor"] = "reads" if bench.auditor.busy else "plugged in" if bench.auditor.plugged else "not plugged in"
    if bench.panel:
        states["panel"] = "on"
    if bench.board:
        states["machine"] = _machine(bench)
    return states


def _machine(bench) -> str:
    """Door, compartment and supply, as they are."""
    told = ["door " + ("open" if bench.door.open else "closed"), f"{bench.supply.millivolts / 1000:.1f} V"]
    if cold := bench.cold:
        told.append(f"air {cold.air:.1f} °C, compressor {'on' if cold.compressor else 'off'}")
    return ", ".join(told)
