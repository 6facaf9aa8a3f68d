"""`benchsim benches`: all benches that tell a broker what they do."""

import asyncio
import json as json_module
import os
import sys
from collections.abc import Callable
from typing import Annotated

import typer
from rich import box
from rich.console import Console
from rich.live import Live
from rich.table import Table
from rich.text import Text

from benchsim.cli.places import MOST_SECONDS
from benchsim.errors import UsageError
from benchsim.feeds.broker import parse_broker
from benchsim.feeds.schema import schema_text
from benchsim.reports.words import OUTCOMES, printable, span

DRAWN = 0.25  # seconds between two pictures
LOOKS = {"running": "green", "lost": "bold red", "ended": ""}


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("benches")(benches)


def benches(
    mqtt: Annotated[str | None, typer.Option("--mqtt", metavar="URL", help="The broker: mqtt://HOST:PORT/PREFIX or mqtts://…")] = None,
    for_: Annotated[float | None, typer.Option("--for", metavar="SECONDS", min=0, max=MOST_SECONDS, help="End by itself after so long.")] = None,
    json: Annotated[bool, typer.Option("--json", metavar="", help="A line of JSON for each change of a bench.")] = False,
    plain: Annotated[bool, typer.Option("--plain", metavar="", help="Plain lines, also at a terminal.")] = False,
    schema: Annotated[bool, typer.Option("--schema", metavar="", help="Print the JSON Schema of all messages.")] = False,
) -> int:
    """Show all benches that tell a broker what they do (--mqtt of run, check, sweep), until Ctrl-C.

    User, password and the certificate of whoever vouches for the broker come from BENCHSIM_MQTT_USER,
    BENCHSIM_MQTT_PASSWORD and BENCHSIM_MQTT_CA, or from a TOML file with user, password, ca that
    BENCHSIM_MQTT_LOGIN names; never from the command line.

    Examples:
      benchsim benches --mqtt mqtt://localhost/shop
      benchsim run --mqtt mqtts://broker.local/shop
    """
    if schema:
        print(schema_text(), end="")
        return 0
    if mqtt is None:
        raise UsageError("--mqtt: expected the broker, mqtt://HOST:PORT/PREFIX")
    broker = parse_broker(mqtt, os.environ)
    from benchsim.feeds.wall import Wall, listen  # needs the extra, of which parse_broker has told

    console, wall = Console(highlight=False), Wall(broker.prefix)
    with_screen = console.is_terminal and not plain and not json
    look = _Screen(console, wall, str(broker)) if with_screen else _Lines(json)

    def take(topic: str, payload: bytes) -> None:
        odd = wall.odd
        row = wall.take(topic, payload)
        if row is not None:
            look.changed(row)
        elif wall.odd == 1 and not odd:
            look.tell(f"not a message of a feed that this version reads: {wall.why_odd} (others are not told)")

    async def main() -> None:
        drawing = asyncio.ensure_future(look.draw())
        try:
            async with asyncio.timeout(for_):
                await listen(broker, wall.topics, take, look.tell)
        except TimeoutError:
            pass
        finally:
            drawing.cancel()

    with look:
        asyncio.run(main())
    return 0


class _Lines:
    """A line for each change."""

    def __init__(self, as_json: bool):
        self._words: Callable[[dict], str] = json_module.dumps if as_json else _line
        self._last: dict[str, str] = {}

    def changed(self, row) -> None:
        """Told if it says something new."""
        line = self._words(row.as_json())
        if self._last.get(row.bench) != line:
            self._last[row.bench] = line
            print(line, flush=True)

    def tell(self, line: str) -> None:
        """Words about the broker."""
        print(f"benchsim: {printable(line)}", file=sys.stderr, flush=True)

    async def draw(self) -> None:
        """Nothing to draw."""

    def __enter__(self):
        return self

    def __exit__(self, *exc) -> None:
        pass


class _Screen:
    """A table that is drawn again when something changed."""

    def __init__(self, console: Console, wall, title: str):
        self._wall, self._title, self._note, self._changed = wall, title, "", True
        self._live = Live(console=console, auto_refresh=False, vertical_overflow="ellipsis")

    def changed(self, row) -> None:
        """Seen with the next picture."""
        self._changed = True

    def tell(self, line: str) -> None:
        """Seen beneath the table."""
        self._note, self._changed = printable(line), True

    async def draw(self) -> None:
        """Until it is enough."""
        while True:
            if self._changed:
                self._changed = False
                self._live.update(table([row.as_json() for row in self._wall.rows.values()], self._title, self._note), refresh=True)
            await asyncio.sleep(DRAWN)

    def __enter__(self):
        self._live.__enter__()
        return self

    def __exit__(self, *exc) -> None:
        self._live.__exit__(*exc)


def table(rows: list[dict], title: str, note: str) -> Table:
    """All benches, by name."""
    drawn = Table(box=box.SIMPLE_HEAD, padding=(0, 1), pad_edge=False, title=title, title_justify="left", caption=note or None)
    for name in ("bench", "state", "does", "so far", "verdicts", "broken", "last"):
        drawn.add_column(name, overflow="fold")
    for row in sorted(rows, key=lambda row: row["bench"]):
        state = Text(_state(row), LOOKS.get(row["state"], ""))
        verdicts = Text(_standing(row), "bold red" if (row["standing"] or {}).get("fail") else "")
        drawn.add_row(
            Text(row["bench"]), state, Text(_doing(row)), Text(_so_far(row)), verdicts, Text(_broken(row)), Text(_last(row))
        )
    return drawn


def _line(row: dict) -> str:
    parts = [row["bench"], _state(row), _doing(row), _so_far(row), _standing(row), _broken(row), _last(row)]
    return "  ".join(part for part in parts if part)


def _state(row: dict) -> str:
    words = [row["state"] or "not known"]
    if row["state"] == "lost":
        words.append("without a word")
    if row["stopped"]:
        words.append("before its time")
    if row["outcome"]:
        words.append(f"({row['outcome']})")
    return " ".join(words)


def _doing(row: dict) -> str:
    return printable(" ".join(filter(None, (row["doing"], row["subject"], f"“{row['title']}”" if row["title"] else ""))))


def _so_far(row: dict) -> str:
    if row["done"] is None:
        return ""
    seconds = row["unit"] == "seconds"
    done, total = (span(n) if seconds else f"{n:g}" for n in (row["done"], row["total"] or 0))
    of = f" of {total}" if row["total"] is not None else ""
    missed = f", {row['missed']} messages missed" if row["missed"] else ""
    return f"{done}{of}{'' if seconds else ' ' + row['unit']}{missed}"


def _standing(row: dict) -> str:
    """What was put to the test."""
    return ", ".join(f"{row['standing'][name]} {name}" for name in OUTCOMES[:-1] if (row["standing"] or {}).get(name))


def _broken(row: dict) -> str:
    more = len(row["broken"]) - 1
    return printable(row["broken"][-1] + (f" and {more} more" if more > 0 else "")) if row["broken"] else ""


def _last(row: dict) -> str:
    return printable(row["at"] or row["event"] or "")
