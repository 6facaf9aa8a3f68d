"""The bench's side of a feed: says what happens to a carrier beside it, and never waits for it."""

import errno
import fcntl
import json
import os
import secrets
import select
import subprocess
import sys
import time
from collections.abc import Callable

from benchsim.feeds.broker import Broker
from benchsim.feeds.outbox import KEPT, Outbox
from benchsim.feeds.schema import VERSION, now

LEFT = 20.0  # seconds at the end; the carrier gives up earlier by itself if nothing moves
_READ = 65536
_PIPE = 1 << 20  # bytes that the pipe to the carrier holds, where it can be asked for


class Feed:
    """One run's messages. `tell(line)` gets words for people: a broker that is away, or back.

    `close` is the end; without it the broker tells the last will.
    """

    def __init__(self, broker: Broker, bench: str, commands: bool, tell: Callable[[str], None]):
        self.broker, self.commands, self.tell = broker, commands, tell
        self.run = secrets.token_hex(8)
        self._head = {"feed": VERSION, "bench": bench, "run": self.run}
        self._outbox, self._number = Outbox(), 0
        self._rest = self._read = b""
        self._child = subprocess.Popen(
            [sys.executable, "-m", "benchsim.feeds.carrier"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
            bufsize=0, start_new_session=True,
        )  # fmt: skip
        self._in, self._out = self._child.stdin.fileno(), self._child.stdout.fileno()
        os.set_blocking(self._in, False)
        os.set_blocking(self._out, False)
        try:
            fcntl.fcntl(self._in, fcntl.F_SETPIPE_SZ, _PIPE)
        except (AttributeError, OSError):
            pass  # then it holds less, and more waits on this side
        # The login goes through the pipe: a command line or an environment could be read by others.
        self._rest = _line({"broker": list(broker), "bench": bench, "head": self._head, "commands": commands})
        self._gone = False
        self._flush()

    def say(self, kind: str, **body) -> None:
        """One message more."""
        message = self._head | {"kind": kind, "sent": now()}
        if kind not in KEPT:
            self._number += 1
            message["number"] = self._number
        self._outbox.put(message | body)
        self._flush()

    def heard(self) -> list[dict]:
        """Commands since the last time. Words for people are told."""
        self._flush()
        try:
            data = os.read(self._out, _READ)
        except BlockingIOError:
            return []
        if not data:
            self._is_gone()
        *lines, self._read = (self._read + data).split(b"\n")
        orders = []
        for line in lines:
            words = json.loads(line)
            if "order" in words:
                orders.append(words["order"])
            else:
                self.tell(words["note"])
        return orders

    def close(self) -> None:
        """All is said: the carrier gets a moment for what is left, and ends."""
        deadline = time.monotonic() + LEFT
        self._outbox.put({"kind": "over", "number": self._number + 1, "over": self._number})
        self._flush()
        while self._rest and not self._gone and (left := deadline - time.monotonic()) > 0:
            select.select([], [self._in], [], left)
            self._flush()
        try:
            self._child.wait(max(0.05, deadline - time.monotonic()))
        except subprocess.TimeoutExpired:
            self._child.kill()
            self._child.wait()
            self._is_gone()
        else:
            self._gone = True
        self.heard()
        self._child.stdin.close()
        self._child.stdout.close()

    def _flush(self) -> None:
        """As much as the pipe takes now."""
        while not self._gone:
            if not self._rest:
                for message in self._outbox.first(1):
                    self._rest = _line(message)
                    self._outbox.told([message])
                if not self._rest:
                    return
            try:
                self._rest = self._rest[os.write(self._in, self._rest) :]
            except BlockingIOError:
                return
            except OSError as error:
                if error.errno != errno.EPIPE:
                    raise
                self._is_gone()

    def _is_gone(self) -> None:
        if not self._gone:
            self._gone = True
            self.tell("its own process is gone; the bench goes on without it")


def _line(words: dict) -> bytes:
    return json.dumps(words).encode() + b"\n"
