"""Both ends of the audit port at the bench: the reader that somebody plugs in, and the board's own side.

`Auditor.read` is what a service visit does: one session, then the machine's text or why there is none.

Not modelled: sending data to the machine, closing by command, readers that bid for mastership at once.
"""

import asyncio
from collections.abc import Callable
from typing import NamedTuple

from benchsim.links.audit_sides import BoardSide, ReaderSide, Talk
from benchsim.links.audit_text import AuditText, parse
from benchsim.schema.audit import AuditSpec
from benchsim.seats.audit_books import AuditBooks, Totals

READER_ID, BOARD_ID = "BSR0000001", "BSM0000001"


class Reading(NamedTuple):
    """What a session brought: the text, or None and why there is none."""

    text: AuditText | None
    why: str


class _Chair:
    """A `Talk` on a line: its words go out, its timer runs. It hears nothing while `plugged` is off."""

    def __init__(self, seat: str, out: bool, clock, line, talk: Talk):
        self.seat, self.clock, self.line, self.talk = seat, clock, line, talk
        self.plugged = False
        self.tricks: list[Callable[[bytes], bytes | None]] = []  # what is said in place of it; None: nothing
        self._timer = None
        line.attach(seat, out, self._hear)

    def _say(self, wire: bytes, at: int) -> int:
        for trick in list(self.tricks):
            wire = wire and trick(wire)
        at = max(at, self.clock.now())
        return self._put(wire, at) if wire else at

    def _put(self, wire: bytes, at: int) -> int:
        return self.line.say(self.seat, tuple(wire), at).end

    def _hear(self, burst) -> None:
        if self.plugged:
            self.talk.hear(burst)
            self.set_timer()

    def set_timer(self) -> None:
        """The talk may want to be called at another time now. Words from a port may be known late (`slack`)."""
        if self._timer:
            self._timer.cancel()
        due = self.talk.deadline
        self._timer = None if due is None else self.clock.call_at(max(due + self.line.slack, self.clock.now()), self._due)

    def _due(self) -> None:
        self.talk.due(self.clock.now())
        self.set_timer()

    def pull(self) -> None:
        """The plug is pulled, or the supply is off: silent at once, in the middle of whatever it was."""
        self.plugged = False
        self.line.cut(self.seat)
        self.talk.forget()
        self.set_timer()

    def plug(self) -> None:
        """Plugged in, or the supply is back."""
        self.plugged = True


class Auditor(_Chair):
    """The audit reader. It says nothing until `read`."""

    TALK = ReaderSide

    def __init__(self, spec: AuditSpec, clock, line, trace):
        super().__init__(spec.asks, True, clock, line, self.TALK(spec, self._say, READER_ID))
        self.trace = trace
        self._done: Callable[[Reading], None] | None = None

    @property
    def busy(self) -> bool:
        """Is a session under way?"""
        return self._done is not None

    async def read(self) -> Reading:
        """One session, awaited to its end."""
        came = asyncio.get_running_loop().create_future()
        self.begin(lambda reading: came.done() or came.set_result(reading))
        return await came

    def begin(self, done: Callable[[Reading], None]) -> None:
        """One session. `done(reading)` is called once. A session under way is broken off."""
        self.pull()
        self.plug()
        self._done = done
        self.trace.happening(self.seat, "audit", state="begins")
        self.talk.read(self._came, self.clock.now())
        self.set_timer()

    def pull(self) -> None:
        """The reader's plug is pulled."""
        super().pull()
        if self.busy:
            self._end(Reading(None, "pulled out"))

    def _came(self, data: bytes | None, why: str, now: int) -> None:
        self._end(Reading(None if data is None else parse(data), why))

    def _end(self, reading: Reading) -> None:
        done, self._done = self._done, None
        told = {"state": "failed", "why": reading.why} if reading.why else {"state": "read"}
        self.trace.happening(self.seat, "audit", **told)
        done(reading)


class AuditPort(_Chair):
    """The board's side. `write()` makes the text; it is asked once in a session.

    `resets`: a good read begins the counters "since reset" of `books` anew (common practice).
    """

    TALK = BoardSide

    def __init__(self, spec: AuditSpec, clock, line, books: AuditBooks, write: Callable[[], str], resets: bool):
        talk = self.TALK(spec, self._say, BOARD_ID, self._text, self._ended)
        super().__init__(spec.answers, False, clock, line, talk)
        self._books, self._write, self._resets = books, write, resets
        self._told = Totals()  # what the text under way tells

    def _text(self, now: int) -> bytes:
        text, self._told = self._write(), self._books.ever.copy()
        return text.encode("ascii")

    def _ended(self, why: str, now: int) -> None:
        if not why and self._resets:
            self._books.reset(self._told)
