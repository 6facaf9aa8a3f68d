"""A bench with real seats, in a process of its own: however many browsers look on, its answers come in time.

    server process: Mirror ◄──── events, pictures ────  this process: Session ◄─ports─► real things, programs
                           ────  acts, cards by name ──►

Programs are started once, from the words of the command line; a message can only name an act or a card.
"""

import asyncio
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection
from pathlib import Path
from typing import NamedTuple

from benchsim.errors import UsageError
from benchsim.events import Burst, Happening, seconds, ticks
from benchsim.faults import Fault, fits_bench, load_cards, refuse_real
from benchsim.live.orders import Orders
from benchsim.live.seating import seat_all
from benchsim.live.session import Plan, Session
from benchsim.settings import load_settings
from benchsim.web import hands
from benchsim.web.picture import machine

BEAT = 0.05  # seconds between two messages


class Words(NamedTuple):
    """What was said on the command line."""

    bench: Path | None
    port: tuple[str, ...] = ()
    real: tuple[str, ...] = ()
    exec_: tuple[str, ...] = ()
    seed: int | None = None
    save: Path | None = None


def play(words: Words, wire: Connection) -> None:
    """The whole life of it, until whoever holds the other end lets go. A UsageError is told as ("refused", its text)."""
    try:
        settings = load_settings(words.bench)
        book = settings.book()
        seating = seat_all(book, words.real, words.port, words.exec_)
        if seating.tapped:
            raise UsageError(f"serve: both sides of the {min(seating.tapped)} link are real; expected one, or benchsim run")
        refuse_real(settings.faults, seating.real)
        seed = settings.seed if words.seed is None else words.seed
        files = [words.save] if words.save else []
        session = Session(settings, book, seed, seating, Plan(), files, [_Look(wire)], words.bench)
        session.run()
        print("".join(f"benchsim: {note}\n" for note in session.notes), end="", file=sys.stderr)
    except UsageError as error:
        wire.send(("refused", str(error)))
    finally:
        wire.close()


class _Look:
    """Tells the other process what happens, and does what it asks for."""

    def __init__(self, wire: Connection):
        self._wire, self._events = wire, []

    @contextmanager
    def on(self, session: Session) -> Iterator[None]:
        """While the bench runs."""
        self._session, self._orders, bench = session, Orders(session), session.bench
        self._cards = _cards(session)
        (recording,) = session.recordings
        recording.trace.listeners.append(self)
        self._send("ready", {
            "links": recording.links, "subject": recording.subject, "seats": recording.seats,
            "coins": hands.coins(bench), "bills": hands.bills(bench), "cards": self._cards,
        })  # fmt: skip
        loop = asyncio.get_running_loop()
        loop.add_reader(self._wire.fileno(), self._asked)
        self._beat()
        try:
            yield
        finally:
            loop.remove_reader(self._wire.fileno())

    def burst(self, burst: Burst) -> None:
        """Told with the next beat."""
        self._events.append(burst)

    def happening(self, happening: Happening) -> None:
        """The same."""
        self._events.append(happening)

    def event(self, time_s: float, line: str) -> None:
        """The other process makes its own lines of the events."""

    def second(self, session: Session) -> None:
        """Nor does it need to be told of seconds."""

    def _beat(self) -> None:
        self._tell()
        self._session.clock.call_at(self._session.clock.now() + ticks(BEAT), self._beat)

    def _tell(self) -> None:
        session = self._session
        events, self._events = self._events, []
        now = session.clock.now()
        faults = [fault.card.id for fault in session.settings.faults if fault.there(seconds(now))]
        self._send("events", (now, events, machine(session.bench, session.states(), faults)))

    def _send(self, kind: str, what: object) -> None:
        try:
            self._wire.send((kind, what))
        except OSError:
            self._session.end()

    def _asked(self) -> None:
        try:
            name, values = self._wire.recv()
        except (EOFError, OSError):
            self._session.end()
            asyncio.get_running_loop().remove_reader(self._wire.fileno())
            return
        try:
            line = self._orders.toggle(*values) if name == "switch" else hands.act(self._session.bench, name, values)
            answer = "told", line
        except UsageError as error:
            answer = "refused", str(error)
        self._tell()
        self._send(*answer)


def _cards(session: Session) -> list[str]:
    """Ids of those that this bench has the parts for, and none of them real."""
    found = []
    for card in load_cards().values():
        fault = Fault(card, {})
        try:
            refuse_real([fault], session.seating.real)
        except UsageError:
            continue
        if fits_bench(fault, session.bench):
            found.append(card.id)
    return found
