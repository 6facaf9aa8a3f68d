"""`benchsim judge` and `benchsim decode`: what was recorded anywhere, before the same rules."""

import shlex
import sys
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from benchsim.captures import open_capture
from benchsim.checks.result import EXIT, CaseResult, make_record
from benchsim.errors import UsageError
from benchsim.events import BREAK, MODE, Burst, seconds
from benchsim.links.bus_blocks import BlockReader
from benchsim.links.kit_frames import FrameReader
from benchsim.reports import write_json
from benchsim.reports.terminal import print_report
from benchsim.schema import Misfit, load_book
from benchsim.settings import load_settings


def add_to(app: typer.Typer) -> None:
    """Register the commands."""
    app.command("judge")(judge)
    app.command("decode")(decode)


def judge(
    capture: Annotated[Path, typer.Argument(metavar="CAPTURE", help="A .pcapng, .csv or .vcd file.")],
    bench: Annotated[Path | None, typer.Option("--bench", metavar="BENCH.toml", help="Bench file.")] = None,
    line: Annotated[list[str] | None, typer.Option("--line", metavar="NAME=SIGNAL", help="Which signal of a logic analyser is which wire, e.g. bus_out=D0.")] = None,
    case: Annotated[list[str] | None, typer.Option("--case", metavar="NAME", help="Only this case of a recorded check (may be repeated).")] = None,
    json: Annotated[bool, typer.Option("--json", metavar="", help="The verdicts as JSON on stdout, nothing else there.")] = False,
    show_all: Annotated[bool, typer.Option("--all", metavar="", help="Also list what nothing put to the test.")] = False,
) -> int:  # fmt: skip
    """Judge a recorded capture by every rule that it can put to the test."""
    settings = load_settings(bench)
    opened = open_capture(capture, _line_map(line))
    results = _only(split_cases(opened, load_book()), case)
    for note in opened.notes:
        print(f"benchsim: {capture}: {note}", file=sys.stderr)
    subjects = {result.subject for result in results}
    subject = subjects.pop() if len(subjects) == 1 else None
    record = make_record(results, subject, settings.seed, None, _replay(capture, bench, line))
    if json:
        write_json(record, sys.stdout)
    else:
        print_report(Console(highlight=False), record, show_all=show_all)
    return EXIT[record.document["outcome"]]


def _only(results: list[CaseResult], names: list[str] | None) -> list[CaseResult]:
    known = [result.name for result in results]
    for name in names or ():
        if name not in known:
            raise UsageError(f"--case {name}: expected one that the capture has: {', '.join(known)}")
    return [result for result in results if not names or result.name in names]


def _replay(capture: Path, bench: Path | None, lines: list[str] | None) -> str:
    parts = ["benchsim", "judge", str(capture)] + (["--bench", str(bench)] if bench else [])
    return shlex.join([*parts, *(word for line in lines or () for word in ("--line", line))])


def split_cases(opened, book) -> list[CaseResult]:
    """A capture's cases, each judged from its own start; a capture without case marks is one case."""
    results: list[CaseResult] = []
    current = CaseResult(None, "Recorded traffic", None)
    start = 0
    for event in opened.events():
        if type(event) is not Burst and event.kind == "case":
            if current.events:
                results.append(current)
            told = {"name": None, "provokes": "Recorded traffic", "subject": None} | event.data
            current, start = CaseResult(told["name"], told["provokes"], told["subject"]), event.time
        if type(event) is Burst:
            current.burst(event._replace(start=event.start - start, end=event.end - start))
            current.end = max(current.end, event.end - start)
        else:
            current.happening(event._replace(time=event.time - start))
            current.end = max(current.end, event.time - start)
    results.append(current)
    for result in results:
        result.name = result.name or "capture"
        result.links = list(opened.links.values())
        result.judge(book)
    return results


def _line_map(lines: list[str] | None) -> dict[str, str]:
    pairs = {}
    for one in lines or ():
        name, sign, signal = one.partition("=")
        if not sign or not name or not signal:
            raise UsageError(f"--line {one}: expected NAME=SIGNAL, such as bus_out=D0")
        pairs[name] = signal
    return pairs


def decode(
    capture: Annotated[Path | None, typer.Argument(metavar="CAPTURE", help="A .pcapng, .csv or .vcd file.")] = None,
    hex_: Annotated[str | None, typer.Option("--hex", metavar='"10B 00B 100"', help="Words of the payment bus, or bytes of a kit frame beginning with 7E.")] = None,
) -> int:  # fmt: skip
    """Show recorded traffic, or words given in hex, frame by frame in words."""
    book = load_book()
    if (capture is None) == (hex_ is None):
        raise UsageError("decode: expected a capture or --hex WORDS")
    events = open_capture(capture).events() if capture else _bursts_of(hex_, book)
    readers: dict = {}
    shown = 0
    for event in events:
        if type(event) is Burst:
            for at, who, text in _decoded(readers, event, book):
                print(f"{seconds(at):12.6f} s  {event.link:<6} {who:<10} {text}")
                shown += 1
    if hex_ is not None and not shown:
        raise UsageError(
            f'--hex "{hex_}": nothing whole in it, expected bus words such as "10B 00B 100" (the first with its '
            'mode bit) or a kit frame with both flags such as "7E 01 00 9F 16 7E"'
        )
    return 0


def _decoded(readers: dict, burst: Burst, book):
    spec = book.links[burst.link]
    if burst.link == "bus":
        reader = readers.setdefault("bus", BlockReader(book))
        for block in reader.feed(burst):
            yield block.start, block.sender or ("master" if block.out else "device"), block_text(block, book)
    else:
        reader = readers.setdefault((burst.link, burst.out), FrameReader(spec, strict_gaps=False))
        for frame in reader.feed(burst):
            note = f" [broken: {', '.join(frame.broken)}]" if frame.broken else ""
            yield frame.start, frame.sender, spec.text(frame.body) + note


def block_text(block, book) -> str:
    """A block's words and what it is."""
    words = " ".join(f"{word & 0x1FF:03X}" for word in block.words if not word & BREAK)
    note = f" [broken: {', '.join(block.broken)}]" if block.broken else ""
    seat = book.seat_at(block.address) if block.address is not None else None
    parts = (block.kind, seat, words, _meaning(block, book))
    return " ".join(part for part in parts if part) + note


def _meaning(block, book) -> str:
    """What a good command asks, where its device is described."""
    device = book.device_at(block.address) if block.kind == "command" and not block.broken else None
    if device is None:
        return ""
    try:
        message = device.parse_command(block.data[:-1], device.mode(max(device.levels)))
    except Misfit:
        return ""
    fields = ", ".join(f"{name} {value}" for name, value in message.fields.items())
    return f"= {message.name}" + (f": {fields}" if fields else "")


def _bursts_of(text: str, book) -> list[Burst]:
    words = []
    for one in text.replace(",", " ").split():
        try:
            words.append(int(one, 16))
        except ValueError:
            raise UsageError(f"--hex: expected words such as 10B, not {one!r}") from None
        if not 0 <= words[-1] <= 0x1FF:
            raise UsageError(f"--hex: {one}: expected nine bits at most, 000 to 1FF")
    if not words:
        raise UsageError('--hex: expected words such as "10B 00B 100"')
    if words[0] == 0x7E:
        if max(words) > 0xFF:
            raise UsageError(f"--hex: {max(words):X}: expected bytes of a kit frame, 00 to FF")
        return [Burst(0, len(words) * 6_250, "kit", True, "", tuple(words))]
    return list(_bus_turns(words, book.bus.word.ticks))


def _bus_turns(words: list[int], length: int):
    """The master speaks first (mode bit on the address); after its block the device answers."""
    at, out, turn = 0, True, []
    for i, word in enumerate(words):
        turn.append(word)
        end_of_device = not out and word & MODE
        total = sum(w & 0xFF for w in turn[:-1]) & 0xFF
        end_of_master = out and len(turn) > 1 and word == total and i + 1 < len(words)
        if end_of_device or end_of_master or i + 1 == len(words):
            yield Burst(at, at + len(turn) * length, "bus", out, "", tuple(turn))
            at += len(turn) * length + 72_000
            out, turn = not out, []
