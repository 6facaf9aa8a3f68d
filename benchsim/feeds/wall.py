"""All benches at a broker, as far as their feeds tell: no I/O here but `listen`."""

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field

from benchsim.errors import UsageError
from benchsim.feeds.broker import Broker
from benchsim.feeds.client import AGAIN_MAX, AGAIN_MIN, Lost, connected
from benchsim.feeds.schema import read_message

KINDS = ("status", "progress", "seats", "broken", "event")
MOST_BROKEN = 100  # kept of one run
MOST_BENCHES = 1000


@dataclass
class Row:
    """One bench: the last of each kind of message of its run."""

    bench: str
    run: str
    last: dict[str, dict] = field(default_factory=dict)
    broken: list[str] = field(default_factory=list)  # "RULE at SEAT in CASE", each once

    def as_json(self) -> dict:
        """What is known; null where nothing is."""
        status, progress = self.last.get("status", {}), self.last.get("progress", {})
        told = {"bench": self.bench, "run": self.run}
        told |= {key: status.get(key) for key in ("state", "doing", "title", "subject", "outcome", "stopped", "commands", "missed")}
        told |= {key: progress.get(key) for key in ("done", "total", "unit", "at", "standing")}
        told |= {"seats": self.last.get("seats", {}).get("seats"), "broken": self.broken}
        return told | {"event": self.last.get("event", {}).get("says")}


class Wall:
    """Takes messages of many benches, in any order. `odd` counts those that are no messages of a feed."""

    def __init__(self, prefix: str):
        self.topics = [f"{prefix}/+/{kind}" for kind in KINDS]
        self.rows: dict[str, Row] = {}
        self.odd, self.why_odd = 0, ""

    def take(self, topic: str, payload: bytes) -> Row | None:
        """The row that it changed. Nothing at all at a status' topic: that bench is forgotten."""
        _, name, kind = topic.rsplit("/", 2)
        if not payload and kind == "status":
            self.rows.pop(name, None)
            return None
        try:
            message = read_message(payload)
            if (message["kind"], message.get("bench")) != (kind, name):
                raise ValueError("not what its topic says")
        except ValueError as wrong:
            self.odd, self.why_odd = self.odd + 1, f"{topic}: {wrong}"
            return None
        row = self.rows.get(name)
        if row is None or row.run != message["run"]:
            if row is None and len(self.rows) >= MOST_BENCHES:
                return None
            row = self.rows[name] = Row(name, message["run"])
        row.last[kind] = message
        if kind == "broken":
            words = f"{message['rule']} at {message['judged']} in {message['case']}"
            if words not in row.broken and len(row.broken) < MOST_BROKEN:
                row.broken.append(words)
        return row


async def listen(broker: Broker, topics: list[str], take: Callable[[str, bytes], None], tell: Callable[[str], None]) -> None:
    """Hand on what comes at `topics`, over as many connections as it takes. UsageError if the first cannot be made."""
    again, ever = AGAIN_MIN, False
    while True:
        try:
            async with connected(broker) as client:
                await client.subscribe([(topic, 1) for topic in topics])
                if ever:
                    tell(f"{broker} is there again")
                again, ever = AGAIN_MIN, True
                async for message in client.messages:
                    take(str(message.topic), message.payload)
        except Lost as lost:
            if not ever:
                raise UsageError(f"--mqtt {broker}: {lost}") from None
            if again == AGAIN_MIN:
                tell(f"{broker} is lost: {lost}; trying again")
        await asyncio.sleep(again)
        again = min(2 * again, AGAIN_MAX)
