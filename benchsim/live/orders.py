"""Where a command from outside meets a live bench.

    {"do": "stop"}                                                   the run ends
    {"do": "fault", "fault": "coil-jammed:row=2", "on": true}        a card is laid, as --fault has it; off: it ends
"""

from benchsim.errors import UsageError
from benchsim.events import seconds
from benchsim.faults import Laid, fits_bench, parse_fault, refuse_real


class Orders:
    """Obeys at one bench. Faults that were there before it came are not its own."""

    def __init__(self, session):
        self._session = session
        self._laid: dict[str, tuple[Laid, int]] = {}  # by its words: it lasts; its place among the bench's faults

    def obey(self, order: dict) -> tuple[bool, str]:
        """Whether it was done, and words for whoever asked."""
        try:
            return True, self._obey[order["do"]](self, order)
        except UsageError as error:
            return False, str(error).removeprefix("--fault ")

    def toggle(self, words: str) -> str:
        """A card is laid, or ends if it was there. What came of it, in words."""
        try:
            return self._ends(words) if words in self._laid else self._begins(words)
        except UsageError as error:
            return str(error)

    def _stop(self, order: dict) -> str:
        self._session.end()
        return "the run ends"

    def _fault(self, order: dict) -> str:
        words = order["fault"]
        return self._begins(words) if order["on"] else self._ends(words)

    def _begins(self, words: str) -> str:
        session, faults = self._session, self._session.settings.faults
        if words in self._laid:
            raise UsageError(f"{words}: there already")
        if "@" in words or "+" in words:
            raise UsageError(f"{words}: expected CARD or CARD:NAME=VALUE,…, it begins and ends by command")
        fault = parse_fault(words, session.settings)._replace(at=seconds(session.clock.now()))
        refuse_real([fault], session.seating.real)
        if not fits_bench(fault, session.bench):
            raise UsageError(f"{words}: this bench has nothing that it could befall")
        self._laid[words] = Laid(fault, session.bench, len(faults)), len(faults)
        faults.append(fault)
        return f"{words} begins"

    def _ends(self, words: str) -> str:
        if words not in self._laid:
            raise UsageError(f"{words}: was not begun by command")
        laid, place = self._laid.pop(words)
        laid.end()
        faults = self._session.settings.faults
        faults[place] = laid.fault._replace(lasts=seconds(self._session.clock.now()) - laid.fault.at)
        return f"{words} ends"

    _obey = {"stop": _stop, "fault": _fault}
