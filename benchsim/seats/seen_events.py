"""Which of the board's events its host has seen: each is offered until it was acknowledged, so it may come again.

Its number tells it, and counts up modulo 256: one half a turn back is forgotten, so that its number can come anew. A
RESET may hide a start of the board, after which others have the same numbers: across it the content counts as well.
"""


class SeenEvents:
    """Since the host started. Events have `number`, `code` and `raw` data (`benchsim.schema.kit`)."""

    def __init__(self):
        self._seen: dict[int, tuple[int, bytes]] = {}  # number -> code and data, since the last RESET
        self._before: dict[int, tuple[int, bytes]] = {}  # the same, before it

    def is_new(self, event) -> bool:
        """Is it offered for the first time? From now on it is seen."""
        told = event.code, event.raw
        if event.number in self._seen or self._before.get(event.number) == told:
            return False
        self._seen[event.number] = told
        for seen in (self._seen, self._before):
            seen.pop((event.number - 128) % 256, None)
        return True

    def reset(self) -> None:
        """A RESET was answered."""
        self._before |= self._seen
        self._seen.clear()

    def forget(self) -> None:
        """The board has started: it numbers anew."""
        self._seen.clear()
        self._before.clear()
