"""The two sides of the kit link, without I/O: words and times in, words and timers out.

`Asker` is the host's side: one request outstanding, four tries of the same bytes, then the link is down.
`Answerer` is the board's side: a repeat is given the last answer again and does nothing twice.

Words go out through `say(wire, at)`; a machine's `deadline` tells when it wants `due(now)`. Whoever
drives it looks at `deadline` after each call.
"""

from collections.abc import Callable
from typing import NamedTuple

from benchsim.events import Burst
from benchsim.links.kit_frames import Frame, reader_of, wrap
from benchsim.schema.fields import Misfit
from benchsim.schema.kit import Answer, KitSpec

Say = Callable[[bytes, int], int]  # wire bytes, earliest tick -> end of the last byte


class Outcome(NamedTuple):
    """How a request ended: the answer, or None when every try failed."""

    name: str
    body: bytes
    answer: Answer | None
    tries: int


class Asker:
    """The asking side. `ask` one request; `done(outcome, now)` is called once for it."""

    def __init__(self, spec: KitSpec, say: Say, done: Callable[[Outcome, int], None]):
        self.spec, self._say, self._done = spec, say, done
        self.reader = reader_of(spec)
        self.seq = 0
        self._wait = spec.limits["wait"].nominal
        self._most_tries = spec.limits["tries"].high
        self._name = self._body = None
        self._tries = self._allowed = 0
        self._timeout: int | None = None

    @property
    def busy(self) -> bool:
        """Is a request outstanding?"""
        return self._body is not None

    @property
    def deadline(self) -> int | None:
        """When to call `due`. A begun answer is awaited to its end (or until its gap drops it)."""
        if self._body is None:
            return None
        if self.reader.begun is not None:
            return self.reader.deadline + 1
        return self._timeout

    def ask(self, name: str, now: int, **fields) -> None:
        """Send a new request. RESET is a single try."""
        self.seq = (self.seq + 1) % self.spec.seqs
        self._name, self._body = name, self.spec.build_request(name, self.seq, **fields)
        self._tries, self._allowed = 0, 1 if name == "RESET" else self._most_tries
        self._try(now)

    def leapt(self, seq: int) -> None:
        """Quiet time was leapt over, and so many numbers with it."""
        self.seq = seq % self.spec.seqs

    def drop(self) -> None:
        """Forget the outstanding request."""
        self._name = self._body = self._timeout = None

    def hear(self, burst: Burst) -> None:
        """Bytes of the answering side."""
        for frame in self.reader.feed(burst):
            self._frame(frame)

    def due(self, now: int) -> None:
        """The deadline has come."""
        self.reader.expire(now)
        if self._body is None or self.reader.begun is not None:
            return
        if now >= self._timeout:
            if self._tries < self._allowed:
                self._try(now)
            else:
                self._finish(None, now)

    def _try(self, now: int) -> None:
        self._tries += 1
        self._timeout = self._say(wrap(self.spec, self._body), now) + self._wait

    def _frame(self, frame: Frame) -> None:
        if frame.broken or self._body is None:
            return
        try:
            answer = self.spec.parse_answer(frame.body)
        except (Misfit, IndexError):
            return
        if answer.name == self._name and answer.seq == self.seq:
            self._finish(answer, frame.end)

    def _finish(self, answer: Answer | None, now: int) -> None:
        outcome = Outcome(self._name, self._body, answer, self._tries)
        self.drop()
        self._done(outcome, now)


class Answerer:
    """The answering side. `serve(body, repeat_of_nothing…)` makes the answer body of a new request."""

    def __init__(self, spec: KitSpec, serve: Callable[[bytes, int], bytes | None], reply: Callable[[bytes, int], None]):
        self.spec, self._serve, self._reply = spec, serve, reply
        self.reader = reader_of(spec)
        self.bad_frames = self.requests = 0
        self.forget()

    def forget(self) -> None:
        """After a start any `seq` is new."""
        self._last_request = self._last_answer = None
        self.reader = reader_of(self.spec)

    def leapt(self) -> None:
        """Quiet time was leapt over: the next request is a new one, whatever its `seq`."""
        self._last_request = None

    def hear(self, burst: Burst) -> None:
        """Bytes of the asking side."""
        for frame in self.reader.feed(burst):
            if frame.broken or self.spec.turned(frame.body, out=True):
                self.bad_frames += 1
                continue
            self._request(frame)

    def _request(self, frame: Frame) -> None:
        self.requests += 1
        if frame.body != self._last_request:
            self._last_answer = self._serve(frame.body, frame.end)
            self._last_request = frame.body
        if self._last_answer is not None:
            self._reply(self._last_answer, frame.end)
