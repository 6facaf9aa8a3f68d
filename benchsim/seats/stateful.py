"""A payment device whose protocol file has a state table: it obeys what is in order, and says when it is not.

It stands where the controller knows it to stand: a command moves it at once, an answer when it was acknowledged.
An acknowledgement can be lost, and then the controller knows more than the device can tell: what was said and not
acknowledged may have been heard.
"""

from functools import partial

from benchsim.seats.peripheral import Peripheral


class Stateful(Peripheral):
    """`at` is its position in the table of its protocol file."""

    def __init__(self, clock, line, rng, settings: dict, happen, seat: str = "", book=None):
        super().__init__(clock, line, rng, settings, happen, seat, book)
        self._names = {one.code: one.name for one in self.spec.activities.values()}
        self._handlers = {name: partial(self._obey, name, do) for name, do in self._handlers.items()}

    def cleared(self) -> None:
        self.at = self.spec.machine.start
        self._ahead = self._shown = 0  # events in front: whose move is made already; that were said, perhaps heard

    @property
    def state(self) -> int:
        """Its state as OUT OF SEQUENCE tells it, from 1."""
        return self.spec.machine.code(self.at.state)

    # ---- for device classes

    def taken(self, name: str) -> None:
        """The controller has heard an answer: what follows from that beside the move."""

    def moved(self) -> None:
        """A command was obeyed, or an answer heard."""

    def drop(self, name: str) -> None:
        """What was not said yet will not be."""
        self._events[self._shown :] = [e for e in self._events[self._shown :] if self._name(e) != name]

    def was_said(self, name: str) -> bool:
        """Was it said, and is it not known whether it was heard?"""
        return any(self._name(event) == name for event in self._events[: self._shown])

    # ---- moves

    def _obey(self, name: str, do, **fields) -> bytes:
        """If a command is in order with all that was said, all of it was heard."""
        machine, mode, heard = self.spec.machine, self.bus.mode, self.at
        for event in self._events[self._ahead : self._shown]:
            heard = machine.go(heard, self._name(event), True)
        if heard != self.at and self.spec.legal(heard.state, name, mode):
            self._heard()
        elif not self.spec.legal(self.at.state, name, mode):
            return self._out_of_sequence()
        self.at = machine.go(self.at, name)
        self.moved()
        return do(**fields)

    def _heard(self) -> None:
        """All that was said counts as heard; it is still offered until it is acknowledged."""
        said, self._ahead = self._events[self._ahead : self._shown], self._shown
        for event in said:
            self._move(self._name(event))

    def _move(self, name: str) -> None:
        self.at = self.spec.machine.go(self.at, name, True)
        self.taken(name)
        self.moved()

    def _out_of_sequence(self) -> bytes:
        more = {"state": self.state} if self.bus.mode.level >= 2 else {}
        return self.reply("OUT OF SEQUENCE", **more)

    def _name(self, event: bytes) -> str:
        return self._names[event[0]]

    def _acked(self, taken: bool) -> None:
        said = self._events[: max(self._offered, 0)]
        names = [self._name(event) for event in said[self._ahead :]]
        self._shown = max(self._shown, len(said))
        if taken:
            self._shown, self._ahead = self._shown - len(said), max(0, self._ahead - len(said))
        super()._acked(taken)
        for name in names if taken else ():
            self._move(name)
