"""The door, its switch and the service button behind it.

The board knows the switch, not the door: a switch that is stuck tells what it always tells.
"""

from collections.abc import Callable

FAULTS = ("", "open", "closed")  # of the switch: none, or what it reads for good


class Door:
    """`switched(open)` is told when the reading changes, `pressed()` when somebody pushes the button, `moved` (any
    number of calls) when the door itself opens or closes.
    """

    def __init__(self, trace):
        self.trace = trace
        self.switched: Callable[[bool], None] = lambda is_open: None
        self.pressed: Callable[[], None] = lambda: None
        self.moved: list[Callable[[bool], None]] = []
        self.open = False  # the door itself
        self.stuck = ""
        self._read = False

    @property
    def reading(self) -> bool:
        """What the switch says: is it open?"""
        return self.stuck == "open" or (self.open and self.stuck != "closed")

    def move(self, is_open: bool) -> None:
        """Somebody opens or closes it."""
        if is_open == self.open:
            return
        self.open = is_open
        self.trace.happening("machine", "door", open=is_open)
        for call in self.moved:
            call(is_open)
        self._tell()

    def break_switch(self, how: str) -> None:
        """The switch sticks ("open", "closed"), or works again ("")."""
        self.stuck = how
        self.trace.happening("machine", "door-switch", stuck=how)
        self._tell()

    def press(self) -> None:
        """The service button, which can be reached with the door open only. A push with the door closed is none."""
        if self.open:
            self.trace.happening("machine", "button")
            self.pressed()

    def _tell(self) -> None:
        if self.reading != self._read:
            self._read = self.reading
            self.switched(self._read)
