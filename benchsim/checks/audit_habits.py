"""Habits on the audit link that are wrong, or odd but legal, of whichever side: the board's or the reader's."""

from collections.abc import Callable

from benchsim.events import TICKS_PER_MS, ticks
from benchsim.links.audit_sides import Receiver, Sender


def sends(side: type, **habits: Callable) -> type:
    """That side of the link, sending so."""
    return type("Talk", (side,), {"SENDER": type("Habit", (Sender,), habits)})


def answers(side: type, **habits: Callable) -> type:
    """That side of the link, answering so."""
    return type("Talk", (side,), {"RECEIVER": type("Habit", (Receiver,), habits)})


# ---- of a sender


def no_bid(self, at: int) -> None:
    """In place of `_bid`: the first block without asking."""
    self._next(at)


def says_again(self, at: int) -> None:
    """In place of `_ask`: the block once more, not ENQ."""
    self._block(at)


# ---- of a receiver


def takes_anything(self, item) -> None:
    """In place of `_take`: whatever the check is."""
    Receiver._take(self, item._replace(broken=()))


def answers_after(seconds: float) -> Callable:
    """In place of `_answer`: so much later."""

    def answer(self, name, item):
        Receiver._answer(self, name, item._replace(end=item.end + ticks(seconds)))

    return answer


# ---- of a port


class Halts:
    """Halts in the middle of whatever it sends."""

    HALT = 400 * TICKS_PER_MS

    def _put(self, wire, at):
        gaps = tuple(self.HALT * (n == 5) for n in range(len(wire)))
        return self.line.say(self.seat, tuple(wire), at, gaps).end
