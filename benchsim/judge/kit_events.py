"""The board's events as offered, delivered and numbered. Source: kit link reference."""

from benchsim.events import TICKS_PER_SECOND

LARGEST = 16  # bytes: no event is larger
DROPPED_FIRST = ("TEMPERATURE", "SUPPLY")
# An answered request, then RESET within this time and answered at its first try: no board starts anew
# in between unnoticed (common practice).
NO_START_S = 1


class Events:
    """Follows POLL and what delivers its events. `answer` returns the events offered for the first time."""

    def __init__(self, spec):
        self._seqs, self._full = spec.seqs, full_body(spec)
        self.wrong: str | None = None  # of the last answer
        self.tested = False  # did the last answer have to fit an earlier one?
        self.forget()

    def forget(self) -> None:
        """The board started anew: numbers need not go on."""
        self._pending: list = []  # offered, not yet delivered
        self._last: int | None = None  # number of the newest event offered
        self._polled: int | None = None  # seq of the answered POLL whose events the next request delivers
        self._loose = True  # numbers may start anywhere
        self._hole = False  # a withdrawn BOOTED may have left a hole
        self._perhaps = False  # delivered, or not
        self._delivers: tuple | None = None  # the request that delivered events, should it have arrived, and these

    def leapt(self, seq: int) -> None:
        """Quiet time was leapt over: the last request had that `seq`."""
        self._polled = None if self._polled is None else seq

    def handed_over(self, events: list) -> None:
        """In quiet time that is being leapt over events were offered and delivered."""
        self._loose = self._hole = False
        self._last = events[-1].number

    def request(self, x) -> None:
        """A new request delivers what the POLL before offered, RESET nothing."""
        if x.repeat:
            return
        if self._delivers and self._delivers[0].answer is None and not self._pending:
            self._pending, self._perhaps = self._delivers[1], True
        self._delivers = None
        if x.name == "RESET":
            self._polled, self._hole = None, True
            self._pending = [e for e in self._pending if e.name != "BOOTED"]
            if hides_a_start(x):
                self._loose = True
        elif self._polled is not None:
            if x.seq == (self._polled + 1) % self._seqs:
                self._pending, self._perhaps, self._delivers = [], False, (x, self._pending)
            else:
                self._perhaps = True
            self._polled = None

    def answer(self, x, heard) -> list:
        """An answer to POLL: which events are new, and is anything wrong with the numbers?"""
        self.wrong, self.tested = None, False
        if x.repeat:
            return []
        events = heard.message.fields["events"]
        if not events and not self._pending:  # the usual case
            self._polled, self._perhaps = x.seq, False
            return []
        packed = len(heard.body) >= self._full
        known = [_same(e) for e in self._pending]
        fresh = [e for e in events if _same(e) not in known]
        if any(e.name == "BOOTED" for e in fresh) or (x.tries > 1 and self._hole):
            self._loose = True
        self.wrong = self._misnumbered(events, packed)
        self._pending, self._polled = list(events), x.seq
        self._loose = self._loose and not events
        self._hole = self._hole and not events
        self._perhaps = False
        if events:
            self._last = events[-1].number
        return fresh

    def _misnumbered(self, events: list, packed: bool) -> str | None:
        due = [e for e in self._pending if not (packed and e.name in DROPPED_FIRST and e not in events)]
        again = [_same(e) for e in events[: len(due)]]
        offered = again == [_same(e) for e in due]
        self.tested = bool(events) or bool(due)
        if not offered and not self._loose and not self._perhaps:
            return f"events {', '.join(str(e.number) for e in due)} were not delivered and are not offered again"
        last = None if self._loose else self._last
        for event in events[len(due) :] if offered and not self._loose else events:
            step = 1 if last is None else (event.number - last) % 256
            if step != 1 and not (packed or step == 2 and self._hole or self._perhaps and event is events[0]):
                return f"event {event.number} where {(last + 1) % 256} was due"
            last = event.number
        return None


def full_body(spec) -> int:
    """An answer of at least so many bytes may have left events out, and come from a full queue."""
    return spec.most - LARGEST


def hides_a_start(reset) -> bool:
    """Could the board have started anew before this RESET, unseen?"""
    b = reset.before
    return b is None or b.answer is None or reset.first.start - b.answer.end > NO_START_S * TICKS_PER_SECOND


def _same(event) -> tuple:
    return event.number, event.code, event.raw
