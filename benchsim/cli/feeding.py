"""`--mqtt` of several commands.

    mqtt: Mqtt = None                                                   among a command's options
    with feeding(mqtt, "sweep", settings, seed, subject) as telling:    around what it does
        told = counted(bar, telling, total, "runs"); told()             as it comes; telling.case(result), if it is a case
        telling.ended(outcome, interrupted)                             at the end, if there is an outcome
"""

import os
import re
import socket
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from itertools import count
from typing import Annotated

import typer

from benchsim.feeds.broker import parse_broker
from benchsim.feeds.feed import Feed
from benchsim.feeds.telling import Telling
from benchsim.reports.words import printable
from benchsim.settings import Settings

Mqtt = Annotated[str | None, typer.Option("--mqtt", metavar="URL", help="Tell a broker what happens, as it happens: mqtt://HOST:PORT/PREFIX or mqtts://…; see benchsim benches.")]  # fmt: skip


class Untold:
    """In place of a `Telling` where nobody is told anything."""

    def _nothing(self, *words, **more) -> None:
        pass

    def looks(self, beside: bool) -> list:
        """Nobody looks on."""
        return []

    case = judged = step = ended = _nothing


@contextmanager
def feeding(mqtt: str | None, doing: str, settings: Settings, seed: int, subject: str | None) -> Iterator[Telling | Untold]:
    """Tells the broker of --mqtt, if there is one. UsageError for words that name none."""
    if mqtt is None:
        yield Untold()
        return
    feed = Feed(parse_broker(mqtt, os.environ), bench_name(settings), settings.feed_commands, say)
    try:
        telling = Telling(feed, doing, settings, seed, subject)
        try:
            yield telling
            if not telling.over:
                telling.ended(None, False)
        except BaseException:
            telling.ended(None, True)
            raise
    finally:
        feed.close()


def counted(bar: Callable[..., None], telling: Telling | Untold, total: int, unit: str, before: int = 0) -> Callable[[], None]:
    """Call it for each one that is done: a person sees it, and a broker. `before`: so many are done already."""
    numbers = count(before + 1)
    if before:
        bar(before, total)

    def told() -> None:
        bar()
        telling.step(next(numbers), total, unit)

    return told


def bench_name(settings: Settings) -> str:
    """What the bench is called at the broker: a level of a topic, without anything that means something there."""
    return settings.feed_name or re.sub(r"[^A-Za-z0-9_.-]+", "-", f"{socket.gethostname()}-{settings.title}")[:64]


def say(line: str) -> None:
    """Words about the feed, beside everything else."""
    print(f"benchsim: feed: {printable(line)}", file=sys.stderr, flush=True)
