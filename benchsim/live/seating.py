"""Who is real, and where: the words of `--port`, `--real` and `--exec` become chairs.

    kit=WHERE          the host sits there (panel too), unless --real says board
    bus=WHERE          the --real seat of the bus sits there; without --real it has to be named
    LINK:SEAT=WHERE    this seat, whatever else is said
    bus:SEAT+SEAT=WHERE    several devices behind one adapter; so does bus=WHERE with several --real devices
    both sides of a link   the bench stands between them: what one says passes on to the other at once
    {kit} {bus:changer}   the same in a command, in place of a path
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import NamedTuple

from benchsim.bench import LINKS, SEATS, SIDES
from benchsim.errors import UsageError
from benchsim.ports import default_where, split_command
from benchsim.schema import Book

USUAL = {"kit": "host", "panel": "host"}  # who sits there if nothing is said
_BRACES = re.compile(r"\{([a-z]+(?::[a-z0-9+]+)?)\}")


class Chair(NamedTuple):
    """A real thing on one link."""

    link: str
    seats: tuple[str, ...]  # several devices of the bus may share an adapter
    where: str
    name: str  # as it was written before the sign, and stands in braces in a command

    @property
    def seat(self) -> str:
        """Who speaks there; "" where it may be any of several devices."""
        return self.seats[0] if len(self.seats) == 1 else ""

    @property
    def who(self) -> str:
        """For people."""
        return " and ".join(self.seats)

    def asks(self, book: Book) -> bool:
        """Does it take the asking side of its link?"""
        return book.links[self.link].asks in self.seats


@dataclass
class Seating:
    """All that is real: its seats, their chairs, and the programs that are started to sit on some."""

    real: frozenset[str] = frozenset()
    chairs: list[Chair] = field(default_factory=list)
    programs: list[list[str]] = field(default_factory=list)

    @property
    def tapped(self) -> frozenset[str]:
        """Links of which both sides are real: the bench stands between."""
        return frozenset(
            link for link, seats in SIDES.items()
            if {True, False} == {seat == seats[0] for chair in self.chairs if chair.link == link for seat in chair.seats}
        )  # fmt: skip

    def unreached(self) -> dict[str, str]:
        """{link: seat} for links on which a real seat is not reached."""
        reached = {(chair.link, seat) for chair in self.chairs for seat in chair.seats}
        return {
            link: seat for link, seats in SIDES.items() for seat in seats
            if seat in self.real and (link, seat) not in reached and not (link == "bus" and seat == "host")
        }  # fmt: skip


def split_place(text: str, option: str) -> tuple[str, str, str]:
    """LINK[:SEAT[+SEAT]]=WHERE as (link, seats or "", WHERE)."""
    name, sign, where = text.partition("=")
    link, _, seat = name.partition(":")
    if not sign or not where or link not in LINKS:
        raise UsageError(f"{option} {text}: expected LINK=WHERE or LINK:SEAT=WHERE, LINK one of {', '.join(LINKS)}")
    for one in seat.split("+") if seat else ():
        if one not in SIDES[link]:
            raise UsageError(f"{option} {text}: expected a seat of the {link} link: {', '.join(SIDES[link])}")
    return link, seat, where


def seat_all(book: Book, real: Iterable[str], ports: Iterable[str], commands: Iterable[str]) -> Seating:
    """The whole seating. UsageError names the option that makes no sense."""
    named = _seats(real)
    programs = [split_command(command, every_name() | _of_several(command)) for command in commands]
    places = [(*split_place(text, "--port"), f"--port {text}") for text in ports]
    for name in dict.fromkeys(name for words in programs for word in words for name in _BRACES.findall(word)):
        if name.partition(":")[0] in LINKS:
            place = f"{name}={default_where(book.links[name.partition(':')[0]].word)}"
            places.append((*split_place(place, "--exec"), f"--exec {{{name}}}"))
    chairs = [
        Chair(link, tuple(seat.split("+")) if seat else _who(link, named, option), where, f"{link}:{seat}" if seat else link)
        for link, seat, where, option in places
    ]
    _fits(chairs, named)
    for command, words in zip(commands, programs, strict=True):
        if not any(_BRACES.search(word) for word in words):
            raise UsageError(f"--exec {command}: expected a link in braces, such as {{kit}}, for the program's port")
    return Seating(frozenset((*named, *(seat for chair in chairs for seat in chair.seats))), chairs, programs)


def every_name() -> set[str]:
    """What may stand in braces, but for several devices."""
    return {*SIDES, *(f"{link}:{seat}" for link, seats in SIDES.items() for seat in seats)}


def _of_several(command: str) -> set[str]:
    return {name for name in _BRACES.findall(command) if "+" in name}


def _seats(real: Iterable[str]) -> list[str]:
    named = [seat for text in real for seat in text.replace(",", " ").split()]
    for seat in named:
        if seat not in SEATS:
            raise UsageError(f"--real {seat}: no such seat, expected one of {', '.join(SEATS)}")
    return named


def _who(link: str, named: list[str], option: str) -> tuple[str, ...]:
    there = tuple(seat for seat in named if seat in SIDES[link])
    if len(there) == 1 or (there and SIDES[link][0] not in there):
        return there
    if not there and link in USUAL:
        return (USUAL[link],)
    raise UsageError(f"{option}: who sits there? expected {link}:SEAT=WHERE, SEAT one of {', '.join(SIDES[link])}")


def _fits(chairs: list[Chair], named: list[str]) -> None:
    taken: set[tuple[str, str]] = set()
    for chair in chairs:
        for seat in chair.seats:
            if (chair.link, seat) in taken:
                raise UsageError(f"{chair.name}: the {seat} sits on the {chair.link} link twice, expected once")
            taken.add((chair.link, seat))
        if len(chair.seats) > 1 and SIDES[chair.link][0] in chair.seats:
            raise UsageError(f"{chair.name}: both sides of a link need a port each, expected two --port")
    for seat in named:
        if not any(seat in chair.seats for chair in chairs):
            raise UsageError(f"--real {seat}: where is it? expected --port LINK:{seat}=WHERE with it")
