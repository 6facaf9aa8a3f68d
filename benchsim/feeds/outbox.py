"""What waits to be told: in order, and bounded. It is on both sides of the pipe."""

from collections.abc import Iterator

KEPT = ("status", "seats", "progress")  # kinds of which the broker keeps the last one (retained)
MOST = 1000


class Outbox:
    """Messages in the order in which they were said. Of a kept kind only the newest is worth telling. Others have
    a `number`, and the oldest of them goes when more than `most` wait: who reads sees the hole in the numbers.
    """

    def __init__(self, most: int = MOST):
        self._most, self._passing = most, 0
        self._waiting: dict[object, dict] = {}
        self._kept: dict[str, dict] = {}

    def put(self, message: dict) -> None:
        """One more."""
        kind = message["kind"]
        if kind in KEPT:
            self._kept[kind] = message
            self._waiting.pop(kind, None)  # the newest stands where it was said
            self._waiting[kind] = message
            return
        self._waiting[message["number"]] = message
        self._passing += 1
        if self._passing > self._most:
            self._drop(next(key for key in self._waiting if key not in KEPT))

    def first(self, count: int) -> list[dict]:
        """The first few, which stay until they are `told`."""
        return [message for message, _ in zip(self._waiting.values(), range(count), strict=False)]

    def told(self, messages: list[dict]) -> None:
        """These arrived. A kept one that was superseded meanwhile stays."""
        for message in messages:
            key = message["kind"] if message["kind"] in KEPT else message["number"]
            if self._waiting.get(key) is message:
                self._drop(key)

    def again(self) -> None:
        """Whoever keeps the last ones may have lost them: they stand first in the row."""
        self._waiting = {kind: self._kept[kind] for kind in KEPT if kind in self._kept} | self._waiting

    def kept(self, kind: str) -> dict | None:
        """The newest of a kept kind."""
        return self._kept.get(kind)

    def __len__(self) -> int:
        return len(self._waiting)

    def __iter__(self) -> Iterator[dict]:
        return iter(self._waiting.values())

    def _drop(self, key: object) -> None:
        del self._waiting[key]
        self._passing -= key not in KEPT
