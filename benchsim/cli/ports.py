"""`benchsim ports`: which adapters there are, and how well one tells time."""

import json as json_
import random
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from benchsim.checks.result import tool_version
from benchsim.clock import run
from benchsim.errors import UsageError
from benchsim.judge import all_rules
from benchsim.lines import Line, Trace
from benchsim.ports.adapters import adapters
from benchsim.ports.qualified import file_of, save
from benchsim.ports.qualify import Found, ms, qualify
from benchsim.ports.urgent import urgent
from benchsim.ports.where import open_port, own_loop
from benchsim.reports.cautions import CODES, COILS, ISOLATE, LIVE_BUS, MAINS
from benchsim.schema import Book, load_book

PROBE_SEED = 1  # of the pauses between probes
NOT_MEASURED = "nothing measured  join the adapter's out to its in and give --loopback; until then the doubt of its kind"


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("ports")(ports)


def ports(
    bench: Annotated[Path | None, typer.Argument(metavar="BENCH.toml", help="Bench file: what is measured is kept beside it.")] = None,
    qualify_: Annotated[str | None, typer.Option("--qualify", metavar="LINK=WHERE", help="Measure this port, e.g. bus=pair:/dev/ttyACM0.")] = None,
    loopback: Annotated[bool, typer.Option("--loopback", metavar="", help="Its out is joined to its in: measure there and back.")] = False,
    json: Annotated[bool, typer.Option("--json", metavar="", help="JSON on stdout, nothing else there.")] = False,
) -> int:  # fmt: skip
    """List serial adapters, or measure how well one tells time and which rules it can prove.

    Examples:
      benchsim ports
      benchsim ports --qualify kit=serial:/dev/ttyUSB0 --loopback
    """
    console = Console(highlight=False)
    if qualify_ is None:
        if loopback:
            raise UsageError("--loopback: expected --qualify LINK=WHERE with it")
        _list(console, json)
        return 0
    book = load_book()
    link, where = _parse(qualify_, book)
    looped = loopback or own_loop(where)
    document = _measure(book, link, where, looped)
    keep = looped and not document["busy"]
    if keep:
        save(file_of(bench), f"{link}={where}", document)
    if json:
        print(json_.dumps(document, indent=2, ensure_ascii=False))
    else:
        _show(console, document)
        print(f"\nKept in {file_of(bench)}: later verdicts use it." if keep else "\nNot kept.")
    return 0 if keep else 3


def _parse(text: str, book: Book) -> tuple[str, str]:
    link, equals, where = text.partition("=")
    if not equals or link not in book.links:
        raise UsageError(f"--qualify {text}: expected LINK=WHERE, LINK one of {', '.join(sorted(book.links))}")
    return link, where


def _list(console: Console, json: bool) -> None:
    found = adapters()
    if json:
        print(json_.dumps({"adapters": [one._asdict() for one in found]}, indent=2, ensure_ascii=False))
        return
    if found:
        table = Table("adapter", "description", "serial number", "stable path", box=None)
        for one in found:
            stable = one.stable if one.stable != one.device else "-"
            table.add_row(one.device, one.description, one.serial_number, stable)
        console.print(table)
    else:
        print("No serial adapters here. Plug one in, or use pty, pair-pty or tcp:HOST:PORT.")
    print("\nBefore a cable:")
    for title, text in (ISOLATE, LIVE_BUS, MAINS, COILS, CODES):
        print(f"  {title} {text}")


def _measure(book: Book, link: str, where: str, looped: bool) -> dict:
    word = book.links[link].word
    found: Found | None = None
    if looped:
        with urgent():
            found = run(lambda clock: qualify(clock, link, where, word, random.Random(PROBE_SEED)), virtual=False)
        doubt, chunks = found.uncertainty, found.chunks
    else:
        doubt, chunks = run(lambda clock: _default(clock, link, where, word), virtual=False)
    return {
        "tool": {"name": "benchsim", "version": tool_version()},
        "link": link,
        "where": where,
        "measured": looped,
        "uncertainty_ms": ms(doubt),
        "chunks": chunks,
        **(_figures(found) if found else {}),
        "rules": [row for one in all_rules() if one.link == link and (row := _provable(one, book, doubt, chunks))],
    }


async def _default(clock, link: str, where: str, word) -> tuple[int, bool]:
    port = open_port(where, Line(link, word.ticks, clock, Trace(clock)), "adapter", False, word)
    port.close()
    return port.uncertainty, port.chunks


def _figures(found: Found) -> dict:
    return {
        "round_trip_ms": {
            "median": ms(found.quantile(0.5)),
            "p99_9": ms(found.quantile(0.999)),
            "worst": ms(found.quantile(1)),
        },
        "jitter_ms": ms(found.jitter),
        "gap_ms": ms(max(found.gaps)) if found.gaps and found.most == 1 else None,
        "words_in_a_reading": found.most,
        "probes": len(found.delays),
        "lost": found.lost,
        "stalled": len(found.stalled),
        "busy": found.busy,
    }


def _provable(rule, book: Book, doubt: int, chunks: bool) -> dict | None:
    """What a port with this doubt can say of a rule on time; None for rules on anything else."""
    limit = rule.limit_in(book)
    if rule.needs == "edges":
        return _row(rule, limit, "no", "no port sees the edges of bits; judge what a logic analyser exported")
    if limit is None or limit.unit not in ("ms", "s"):
        return None
    if rule.needs == "gaps" and chunks:
        return _row(rule, limit, "no", "gaps inside a block are not measured here")
    return _row(rule, limit, *_range(limit, doubt))


def _range(limit, doubt: int) -> tuple[str, str]:
    low = None if limit.low is None else limit.low + doubt
    high = None if limit.high is None else limit.high - doubt
    if high is not None and high <= max(0, low or 0):
        return "no", f"its doubt of {ms(doubt):g} ms leaves no value that surely passes"
    ends = [f"from {limit.shown(low):g}"] if low is not None else []
    ends += [f"up to {limit.shown(high):g}"] if high is not None else []
    return "yes", f"{' '.join(ends)} {limit.unit} surely passes"


def _row(rule, limit, provable: str, why: str) -> dict:
    return {"rule": rule.id, "limit": limit.text if limit else None, "provable": provable, "why": why}


def _told(document: dict) -> list[str]:
    trip, gap = document["round_trip_ms"], document["gap_ms"]
    busy = ["this computer was too busy to measure the port alone: measure again when it is quiet"]
    return [
        f"there and back    {trip['median']:g} ms median, {trip['p99_9']:g} ms p99.9, {trip['worst']:g} ms worst",
        f"probes            {document['probes']}, {document['lost']} lost",
        f"jitter            {document['jitter_ms']:g} ms",
        f"gap between words {'not measured' if gap is None else f'{gap:g} ms at worst'}",
        f"words a reading   up to {document['words_in_a_reading']}",
        *(busy if document["busy"] else []),
    ]


def _show(console: Console, document: dict) -> None:
    print(f"{document['link']}={document['where']}")
    for line in _told(document) if document["measured"] else [NOT_MEASURED]:
        print(f"  {line}")
    print(f"  doubt of times    {document['uncertainty_ms']:g} ms\n")
    table = Table("rule", "limit", "can be proven", "", box=None)
    for row in document["rules"]:
        table.add_row(row["rule"], row["limit"] or "", row["provable"], row["why"])
    console.print(table)
