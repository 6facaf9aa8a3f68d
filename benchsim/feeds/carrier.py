"""Carries a bench's messages to a broker: a process of its own, started by `Feed`, that may wait and fail.

stdin, a line of JSON each: first how to reach the broker, then messages, at the end {"over": last number}.
stdout: {"note": words for people}, {"order": a command for the bench}. No word at the end of stdin means that the
bench is gone: then the connection is dropped, and the broker tells the last will.

A message has arrived when the broker has acknowledged it (QoS 1), and is told again until then. Numbers that are
missing when their turn comes are a gap, wherever they got lost.
"""

import asyncio
import json
import os
import random
import signal
import sys

from benchsim.feeds.broker import Broker
from benchsim.feeds.client import AGAIN_MAX, AGAIN_MIN, Lost, connected
from benchsim.feeds.outbox import KEPT, Outbox
from benchsim.feeds.schema import VERSION, now, read_message

AT_ONCE = 20  # messages under way
LEFT = 4.0  # seconds without any progress, once the bench is through, until what is left is given up
LINE = 1 << 24  # bytes of the longest line from the bench
ORDER = 4096  # bytes of the longest command


class Carrier:
    """One bench's messages. `say(dict)` tells the bench."""

    def __init__(self, setup: dict, say):
        self.broker = Broker(*setup["broker"])
        self.place = f"{self.broker.prefix}/{setup['bench']}"
        self.head, self.commands = setup["head"], setup["commands"]
        self.outbox, self.say = Outbox(), say
        self.changed = asyncio.Event()
        self.last: int | None = None  # the number of the last message, once the bench is through
        self.arrived = 0  # up to this number all has arrived, or is told as missed
        self.missed = self._missed_told = 0
        self.progress = 0  # messages that arrived
        self._up = self._ever = self._not_alone = False
        self._why = ""

    # ---- from the bench

    def line(self, data: bytes) -> None:
        """A message, or the end."""
        message = json.loads(data)
        if "over" in message:
            self.last = message["over"]
        else:
            self.outbox.put(message)
        self.changed.set()

    # ---- to the broker

    async def carry(self) -> None:
        """Until all is told, over as many connections as it takes."""
        again = AGAIN_MIN
        while self.outbox.kept("status") is None:  # without it there is no last will
            self.changed.clear()
            await self.changed.wait()
        while True:
            reached = False
            try:
                async with connected(self.broker, self._will()) as client:
                    reached, again = True, AGAIN_MIN
                    await self._talk(client)
                    return
            except Lost as lost:
                self._is_down(str(lost))
            if self.last is not None and not reached:
                return  # nobody waits for a broker that is away
            await self._pause(again * random.uniform(0.8, 1.2), reached)  # not all benches at once
            again = min(2 * again, AGAIN_MAX)

    async def _pause(self, seconds: float, whole: bool) -> None:
        """Let a while pass; unless it has to be whole, the end of the run cuts it short, for a last try."""
        loop = asyncio.get_running_loop()
        until = loop.time() + seconds
        while (whole or self.last is None) and loop.time() < until:
            self.changed.clear()
            try:
                async with asyncio.timeout_at(until):
                    await self.changed.wait()
            except TimeoutError:
                return

    def _will(self) -> tuple[str, bytes]:
        lost = {"state": "lost", "missed": self.missed, "sent": now()}
        return f"{self.place}/status", json.dumps(self.outbox.kept("status") | lost).encode()

    async def _talk(self, client) -> None:
        await client.subscribe(f"{self.place}/status", qos=1)
        if self.commands:
            await client.subscribe(f"{self.place}/command", qos=1)
        if self._ever:
            self.outbox.again()
        self._ever = True
        sends, hears = asyncio.ensure_future(self._send(client)), asyncio.ensure_future(self._hear(client))
        try:
            done, _ = await asyncio.wait({sends, hears}, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (sends, hears):
                task.cancel()
            await asyncio.gather(sends, hears, return_exceptions=True)
        for task in done:
            task.result()

    async def _send(self, client) -> None:
        while True:
            self.changed.clear()
            batch = self.outbox.first(AT_ONCE)
            told = [*self._with_gaps(batch)]
            if not told:
                self._is_up()
                if self.last is not None:
                    return
                await self.changed.wait()
                continue
            await asyncio.gather(*(self._publish(client, message) for message in told))
            self.outbox.told(batch)
            for message in told:
                self._has_arrived(message)

    def _with_gaps(self, batch: list[dict]):
        """The messages, and before each the gap that is there; behind the last one that at the end. A status says
        how many are missed by then, and is told again if there are more.
        """
        at, missed = self.arrived, self.missed
        for message in batch:
            if "number" in message:
                for gap in self._gap(at, message["number"]):
                    missed += gap["missed"]
                    yield gap
                at = max(at, message["number"])
            yield message | {"missed": missed} if message["kind"] == "status" else message
        if self.last is not None and len(batch) == len(self.outbox):
            yield from self._gap(at, self.last + 1)
        if not batch and self.missed != self._missed_told:
            yield self.outbox.kept("status") | {"missed": self.missed}

    def _gap(self, at: int, number: int) -> list[dict]:
        if number <= at + 1:
            return []
        return [self.head | {"kind": "gap", "sent": now(), "first": at + 1, "last": number - 1, "missed": number - at - 1}]

    def _has_arrived(self, message: dict) -> None:
        self.progress += 1
        if message["kind"] == "gap":
            self.missed += message["missed"]
            self.arrived = message["last"]
        elif message["kind"] == "status":
            self._missed_told = message["missed"]
        elif "number" in message:
            self.arrived = max(self.arrived, message["number"])

    async def _publish(self, client, message: dict) -> None:
        kind = message["kind"]
        await client.publish(f"{self.place}/{kind}", json.dumps(message).encode(), qos=1, retain=kind in KEPT)

    async def _hear(self, client) -> None:
        async for message in client.messages:
            kind = str(message.topic).rpartition("/")[2]
            if kind == "command":
                self._command(message.payload, message.retain)
            elif not message.retain:
                self._of_our_name(message.payload)

    def _of_our_name(self, payload: bytes) -> None:
        """A status at our place. The last will of a run before this one may come late; then ours is told again."""
        try:
            status = read_message(payload)
        except ValueError:
            return
        if status["kind"] != "status" or status["run"] == self.head["run"]:
            return
        if status["state"] != "running":
            self.outbox.put(dict(self.outbox.kept("status")))  # another one: ours may be under way just now
            self.changed.set()
        elif not self._not_alone:
            self._not_alone = True
            self.say({"note": f"another bench feeds as {self.head['bench']} too: give each a [feed] name of its own"})

    def _command(self, payload: bytes, retained: bool) -> None:
        if retained:
            self.say({"note": "a retained command was not obeyed: it would be meant for every run"})
            return
        try:
            if len(payload) > ORDER:
                raise ValueError(f"longer than {ORDER} bytes")
            order = read_message(payload)
            if order["kind"] != "command":
                raise ValueError("no command")
        except ValueError as wrong:
            self.say({"order": {"feed": VERSION, "kind": "command", "wrong": str(wrong)}})
            return
        self.say({"order": order})

    # ---- for people

    def _is_up(self) -> None:
        if self._up:
            return
        if self._why:
            lost = f", {self.missed} messages missed" if self.missed else ""
            self.say({"note": f"{self.broker} is there now{lost}"})
        self._up, self._why = True, ""

    def _is_down(self, why: str) -> None:
        """Told once, as long as it stays away."""
        if self._up or not self._why:
            was = "is lost" if self._up else "is not reached"
            self.say({"note": f"{self.broker} {was}: {why}; the bench goes on without it"})
        self._up, self._why = False, why

    def last_words(self) -> None:
        """What nobody will hear of any more, unless it was said that the broker never was there."""
        left = self.last - self.arrived
        if left and (self._ever or not self._why):
            why = f": {self._why}" if self._why else ""
            self.say({"note": f"{self.broker} did not take the last {left} messages{why}"})


def _say(words: dict) -> None:
    """To the bench, if it listens: nothing waits for it."""
    try:
        os.write(1, json.dumps(words).encode() + b"\n")
    except OSError:
        pass


async def _main() -> None:
    loop = asyncio.get_running_loop()
    reader = asyncio.StreamReader(limit=LINE)
    await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(reader), sys.stdin)
    carrier = Carrier(json.loads(await reader.readline()), _say)
    carrying = asyncio.ensure_future(carrier.carry())
    while carrier.last is None:
        line = await reader.readline()
        if not line:
            _leave(3)
        carrier.line(line)
    before = None
    while not carrying.done() and before != carrier.progress:
        before = carrier.progress
        await asyncio.wait({carrying}, timeout=LEFT)
    if carrying.done():
        carrying.result()
    carrier.last_words()
    _leave(0)


def _leave(status: int) -> None:
    """At once. A connection that is still there is dropped without a word, so that the broker tells the last will;
    an attempt to connect may hang in a thread, and is not waited for.
    """
    os._exit(status)


if __name__ == "__main__":
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the bench ends it
    os.set_blocking(1, False)
    os.nice(5)  # whoever measures goes first
    try:
        asyncio.run(_main())
    except BaseException as error:
        _say({"note": f"broken off by an error of its own: {error!r}"})
        _leave(1)
