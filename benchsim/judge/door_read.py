"""The door as its switch tells it: all that a board can know of it."""


class DoorRead:
    """Hears the happenings "door" and "door-switch"; `open` is the door itself, `reads` what its switch says."""

    def __init__(self):
        self.open, self.stuck = False, ""

    @property
    def reads(self) -> bool:
        """Does the switch say that it is open?"""
        return self.stuck == "open" or (self.open and self.stuck != "closed")

    def changed(self, h) -> bool:
        """The door or its switch has changed: does the reading?"""
        was = self.reads
        self.open, self.stuck = h.data.get("open", self.open), h.data.get("stuck", self.stuck)
        return self.reads != was
