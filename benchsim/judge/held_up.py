"""Answers on the payment bus that never came in their turn: what comes later may be one of those, kept back by the bench's
own computer or by the one that a program under test waits for."""

from benchsim.events import ticks

AGO = ticks(1)  # an answer kept back by the bench's own computer is not kept longer
MANY = 8  # questions remembered that were not answered


class HeldUp:
    """Of one rule, which passes on `bus.done.silent` to `silent`."""

    def __init__(self, judge):
        self._judge = judge
        self._due: dict[str, list[int]] = {}  # seat: when answers were due

    def silent(self, x) -> None:
        """One is owed."""
        if x.seat:
            self._due[x.seat] = [*self._due.get(x.seat, ()), x.due][-MANY:]

    def perhaps(self, h) -> bool:
        """Is it perhaps one of those? Each can come once."""
        for due in self._due.get(h.seat, ()):
            if self._judge.stalled(due, h.start) and h.start - due <= AGO:
                self._due[h.seat].remove(due)
                return True
        return False
