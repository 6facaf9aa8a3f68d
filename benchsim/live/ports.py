"""Real things of a live bench: ports opened for chairs, programs started, outages told as times not measured."""

from pathlib import Path

from benchsim.clock import Clock
from benchsim.errors import UsageError
from benchsim.events import TICKS_PER_US, Happening, LinkInfo, seconds
from benchsim.lines import Line, Trace
from benchsim.lines.cable import Cable
from benchsim.live.seating import Chair
from benchsim.ports import Port, Program, open_port, qualified
from benchsim.schema import Book


def open_chair(chair: Chair, line: Line | Cable, book: Book, measured: Path | None) -> Port:
    """Seat it, at its end if the link is tapped, with what was measured of its port before."""
    asks = chair.asks(book)
    at = line.ends[asks] if isinstance(line, Cable) else line
    port = open_port(chair.where, at, chair.seat, asks, book.links[chair.link].word)
    qualified.use(port, chair.where, measured)
    return port


def open_all(chairs: list[Chair], lines: dict, book: Book, measured: Path | None) -> dict[Chair, Port]:
    """All of them, or none: UsageError for the first that cannot be opened."""
    ports: dict[Chair, Port] = {}
    try:
        for chair in chairs:
            ports[chair] = open_chair(chair, lines[chair.link], book, measured)
    except UsageError:
        for port in ports.values():
            port.close()
        raise
    return ports


def start_all(programs: list[list[str]], ports: dict[Chair, Port]) -> list[Program]:
    """Programs, each with the paths of the ports that it names; a port knows whom its program waits for."""
    named = {chair.name: port for chair, port in ports.items()}
    named |= {f"{chair.link}:{'+'.join(chair.seats)}": port for chair, port in ports.items()}
    for chair, port in ports.items():
        if sum(other.link == chair.link for other in ports) == 1:
            named[chair.link] = port
    paths = {name: port.path for name, port in named.items()}
    started: list[Program] = []
    try:
        for words in programs:
            started.append(Program(words, paths))
    except UsageError:
        for program in started:
            program.stop()
        raise
    for name, port in named.items():
        for words, program in zip(programs, started, strict=True):
            if any(f"{{{name}}}" in word for word in words):
                port.waited = program.waited
    return started


def heard_through(info: LinkInfo, ports: list[Port], real: bool = True) -> LinkInfo:
    """How well a link is heard that has these ports: as well as through the worst. What simulated seats say in real
    time is told as late as it was; stalls that made them late are heard of only where there is some doubt.
    """
    if not ports:
        return info._replace(uncertainty=TICKS_PER_US) if real else info
    worst = max(ports, key=lambda port: port.uncertainty)
    return info._replace(
        uncertainty=worst.uncertainty, edges=False, chunks=any(port.chunks for port in ports), note=worst.note
    )


class Outages:
    """Listens for ports that are lost and come back. For so long nothing was measured: told as a stall of that
    length, so that no time across it counts.
    """

    def __init__(self, clock: Clock, trace: Trace):
        self._clock, self._trace = clock, trace
        self._since: dict[tuple[str, str], int] = {}
        self.all: list[tuple[str, str, int, int]] = []  # link, seat, from, to

    def burst(self, burst) -> None:
        """Words are none of its business."""

    def happening(self, happening: Happening) -> None:
        """A port is lost or back?"""
        if happening.kind != "port":
            return
        key = happening.data["link"], happening.seat
        if not happening.data["there"]:
            self._since.setdefault(key, happening.time)
        elif key in self._since:
            self._over(key, happening.time)

    def close(self) -> None:
        """The end of the run, for those that are not back."""
        for key in list(self._since):
            self._over(key, self._clock.now())

    def _over(self, key: tuple[str, str], end: int) -> None:
        start = self._since.pop(key)
        self.all.append((*key, start, end))
        now = self._clock.now()
        self._clock.call_at(now, self._tell, start)

    def _tell(self, start: int) -> None:
        self._trace.late(self._clock.now() - start, who="link")

    def words(self) -> list[tuple[str, str]]:
        """(link, sentence) of each outage, for the report."""
        return [
            (link, f"the {link} link of {seat or 'the devices'} was away from {seconds(start):.1f} s to "
                   f"{seconds(end):.1f} s: nothing of it was measured then")
            for link, seat, start, end in self.all
        ]  # fmt: skip
