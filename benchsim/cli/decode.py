"""`benchsim decode`: traffic in words, frame by frame."""

import json as json_of
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from benchsim.captures import open_capture
from benchsim.cli.judge import line_map
from benchsim.cli.places import MOST_SECONDS, want_file
from benchsim.errors import UsageError
from benchsim.events import MODE, Burst, seconds
from benchsim.links.kit_frames import reader_of, wrap
from benchsim.reports.decoded import decoded
from benchsim.reports.exchanges import exchange_at
from benchsim.reports.timeline import as_file, as_text
from benchsim.schema import KIT, Book, KitSpec, Misfit, kit_link, load_book
from benchsim.schema.bus import checksum

TURNAROUND = 72_000  # ticks from one side's last word to the other's first, where words come without times


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("decode")(decode)


def decode(
    capture: Annotated[Path | None, typer.Argument(metavar="CAPTURE", help="A .pcapng, .csv or .vcd file.")] = None,
    hex_: Annotated[str | None, typer.Option("--hex", metavar='"10B 00B 100"', help="Words of the payment bus, or bytes of a kit frame (beginning with 7E, or of the link that --kit names).")] = None,
    kit: Annotated[str | None, typer.Option("--kit", metavar="NAME|FILE", help="Board-to-host link that is spoken: a name, or a .toml file of your own.")] = None,
    line: Annotated[list[str] | None, typer.Option("--line", metavar="NAME=SIGNAL", help="Which signal of a logic analyser is which wire, e.g. bus_out=D0.")] = None,
    at: Annotated[float | None, typer.Option("--at", metavar="SECONDS", min=0, max=MOST_SECONDS, help="Draw the exchange at this time, word by word, with its limit.")] = None,
    svg: Annotated[Path | None, typer.Option("--svg", metavar="FILE", help="With --at: write the drawing here as well.")] = None,
    json: Annotated[bool, typer.Option("--json", metavar="", help="A JSON object a line, nothing else on stdout.")] = False,
) -> int:  # fmt: skip
    """Show recorded traffic, or words given in hex, frame by frame in words.

    Examples:
      benchsim decode out/capture.pcapng
      benchsim decode out/capture.pcapng --at 1.204 --svg exchange.svg
      benchsim decode --hex "10B 00B 052 007 159 000"
      benchsim decode --kit my-link.toml --hex "03 02 48 49"
    """
    book = load_book(kit=kit_link(kit, "--kit") if kit else KIT)
    if (capture is None) == (hex_ is None):
        raise UsageError(f"decode: expected a capture or --hex WORDS{', not both' if capture else ''}")
    if svg and at is None:
        raise UsageError("--svg: expected --at SECONDS with it, to say which exchange is drawn")
    want_file(svg, "--svg")
    opened = open_capture(capture, line_map(line)) if capture else None
    events = opened.events() if opened else _bursts_of(hex_, book, kit is not None)
    if at is not None:
        return _draw(events, at, svg, book)
    shown = 0
    for start, link, who, text in decoded(events, book):
        if json:
            told = {"time_s": round(seconds(start), 9), "link": link, "sender": who, "text": text}
            print(json_of.dumps(told))
        else:
            print(f"{seconds(start):12.6f} s  {link:<6} {who:<10} {text}")
        shown += 1
    for note in opened.notes if opened else ():
        print(f"benchsim: {capture}: {note}", file=sys.stderr)
    if hex_ is not None and not shown:
        raise UsageError(
            f'--hex "{hex_}": nothing whole in it, expected bus words such as "10B 00B 100" (the first with its '
            f"mode bit) or whole frames of the kit link such as {_example(book)}"
        )
    return 0


def _draw(events, at: float, svg: Path | None, book: Book) -> int:
    answers = {
        "bus": ("BUS-ANSWER", book.bus.limits["response"]),
        "kit": ("KIT-ANSWER", book.kit.limits["answer"]),
    }
    drawn = exchange_at(events, at, answers)
    if drawn is None:
        raise UsageError(f"--at {at:g}: nothing was said within a second of it, expected a time of the capture")
    print(f"from {min(each.start_s for each in drawn.stretches):.6f} s on")
    print(as_text(drawn, Console().width))
    if svg:
        try:
            svg.write_text(as_file(drawn), encoding="utf-8")
        except OSError as error:
            raise UsageError(f"--svg {svg}: {(error.strerror or 'cannot be written').lower()}") from None
    return 0


# ---- words in hex


def _example(book: Book) -> str:
    return f'"{wrap(book.kit, book.kit.build_request("RESET", 0)).hex(" ").upper()}"'


def _bursts_of(text: str, book: Book, kit: bool) -> list[Burst]:
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
    if words[0] == 0x7E or kit:
        if max(words) > 0xFF:
            raise UsageError(f"--hex: {max(words):X}: expected bytes of a kit frame, 00 to FF")
        burst = Burst(0, len(words) * book.kit.word.ticks, "kit", True, "", tuple(words))
        return [burst._replace(out=_asked(book.kit, burst))]
    if not any(word & MODE for word in words):
        return []
    return list(_bus_turns(words, book))


def _asked(spec: KitSpec, burst: Burst) -> bool:
    """Do the frames ask, as far as can be told? What is no request and can be an answer is one."""
    for frame in reader_of(spec).feed(burst):
        for out, parse in ((True, spec.parse_request), (False, spec.parse_answer)):
            try:
                parse(frame.body)
            except (Misfit, IndexError):
                continue
            return out
    return True


def _bus_turns(words: list[int], book: Book) -> Iterator[Burst]:
    """The master speaks first; after its block a device answers, up to its mode bit, then the master replies."""
    at, out, turn, length = 0, True, [], book.bus.word.ticks
    for i, word in enumerate(words):
        turn.append(word)
        over = _master_ends(turn, book) if out else bool(word & MODE)
        if over or i + 1 == len(words):
            yield Burst(at, at + len(turn) * length, "bus", out, "", tuple(turn))
            at += len(turn) * length + TURNAROUND
            out, turn = not out, []


def _master_ends(turn: list[int], book: Book) -> bool:
    """Is a master's block whole, with what it may have said before (ACK and the like)?"""
    first = next((i for i, word in enumerate(turn) if word & MODE), len(turn))
    data = bytes(word & 0xFF for word in turn[first:])
    if len(data) < 2 or checksum(data[:-1]) != data[-1]:
        return False
    device = book.device_at(data[0])
    command = device and device.command_at(data)
    lengths = command.lengths() if command else ()
    return not lengths or len(data) in lengths
