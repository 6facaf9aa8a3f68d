"""`benchsim run`: a live bench, every seat simulated but those that are real."""

import re
import shlex
import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from benchsim.captures import Bound
from benchsim.checks.result import EXIT, case_note, make_record
from benchsim.cli.feeding import Mqtt, feeding
from benchsim.cli.live_view import Plain, Screen
from benchsim.cli.places import MOST_SECONDS, make_folder
from benchsim.errors import UsageError
from benchsim.faults import parse_fault, refuse_real
from benchsim.live.on_the_way import USAGE as SPOIL_USAGE
from benchsim.live.on_the_way import parse_spoil
from benchsim.live.recording import BOUND
from benchsim.live.seating import seat_all
from benchsim.live.session import Plan, Session, parse_press
from benchsim.live.visit import LENGTH
from benchsim.reports import write_json
from benchsim.reports.cautions import COILS
from benchsim.reports.folder import write_out
from benchsim.reports.terminal import case_line, print_report
from benchsim.settings import Settings, load_settings

CAPTURE = "capture.pcapng"
UNITS = {"K": 10, "M": 20, "G": 30}


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("run")(run)


def run(
    bench: Annotated[Path | None, typer.Argument(metavar="BENCH.toml", help="Bench file (default: the demo bench).")] = None,
    port: Annotated[list[str] | None, typer.Option("--port", metavar="LINK[:SEAT]=WHERE", help="A real thing sits there (may be repeated). Without :SEAT it is the --real seat of that link; with neither, the host on kit and panel. Both sides of a link: the bench stands between and passes on.")] = None,
    real: Annotated[list[str] | None, typer.Option("--real", metavar="SEAT", help="This seat is real (may be repeated), on every --port or {link} that names no seat itself.")] = None,
    exec_: Annotated[list[str] | None, typer.Option("--exec", metavar='"CMD {kit} {bus}"', help="Start this program (may be repeated); {link} or {link:seat} becomes its port's path.")] = None,
    for_: Annotated[float | None, typer.Option("--for", metavar="SECONDS", min=0, max=MOST_SECONDS, help="End by itself after so long (bench time).")] = None,
    visit: Annotated[bool, typer.Option("--visit", metavar="", help="A technician's visit plays by itself: sales by coin, bill and card, a survey; 40 s, for `benchsim diagnose`.")] = False,
    virtual: Annotated[bool, typer.Option("--virtual", metavar="", help="Virtual time, as fast as it goes; with --for, and nothing real.")] = False,
    fault: Annotated[list[str] | None, typer.Option("--fault", metavar="CARD[@SECONDS][+FOR]", help="Something is wrong from then on, for so long (may be repeated). `benchsim faults` lists the cards.")] = None,
    ready: Annotated[list[str] | None, typer.Option("--ready", metavar="CARD", help="A fault that a key begins and ends: 1 for the first of these, and so on to 9.")] = None,
    spoil: Annotated[list[str] | None, typer.Option("--spoil", metavar=SPOIL_USAGE, help="Between two real ends: drop, corrupt or delay what passes (may be repeated).")] = None,
    press: Annotated[list[str] | None, typer.Option("--press", metavar="KEY@SECONDS", help="As if this key were pressed then (may be repeated).")] = None,
    save: Annotated[Path | None, typer.Option("--save", metavar="FILE", help="Record everything: .pcapng, .csv or .vcd.")] = None,
    rotate: Annotated[str | None, typer.Option("--rotate", metavar="SIZE[*PARTS]", help="A new file when a capture has so many bytes (K, M, G), and keep so many; 64M*16 if not given.")] = None,
    out: Annotated[Path | None, typer.Option("--out", metavar="DIR", help=f"Write report.html, verdicts.json, junit.xml, {CAPTURE} here.")] = None,
    seed: Annotated[int | None, typer.Option("--seed", metavar="N", help="Seed of everything that happens by chance.")] = None,
    json: Annotated[bool, typer.Option("--json", metavar="", help="The verdicts as JSON on stdout, nothing else there.")] = False,
    mqtt: Mqtt = None,
    plain: Annotated[bool, typer.Option("--plain", metavar="", help="Plain lines, also at a terminal.")] = False,
) -> int:  # fmt: skip
    """Run a live bench: watch it, act on it, put real things on any of its seats, or stand between two of them.

    Keys: c coin, b bill, k card (held up, or taken away), l lever, t tap the next selection, d door,
    s service button, a audit read, q quit; 1 to 9 begin and end the faults of --ready.
    Ctrl-C ends it too; report and capture are whole.

    Examples:
      benchsim run
      benchsim run --exec "python3 fixtures/sample_host/host.py {kit} {panel}" --for 60 --out out
      benchsim run --port bus:changer=pair:/dev/ttyACM0 --port bus:validator=pair:/dev/ttyACM1
      benchsim run --real board --port kit=serial:/dev/ttyUSB0 --port bus=parity:/dev/ttyUSB1
      benchsim run --virtual --for 60 --press c@5 --press t@8 --fault coin-jam@20+10
      benchsim run --port kit:host=serial:/dev/ttyUSB0 --port kit:board=serial:/dev/ttyUSB1 --spoil kit:drop=0.1@30+10
    """
    settings = load_settings(bench)
    book = settings.book()
    seed = settings.seed if seed is None else seed
    seating = seat_all(book, real or (), port or (), exec_ or ())
    if visit and for_ is None:
        for_ = LENGTH
    if virtual and (for_ is None or seating.real):
        raise UsageError(f"--virtual: expected {'--for SECONDS with it' if for_ is None else 'no real seat with it'}")
    settings = settings.with_faults(fault or ())
    refuse_real(settings.faults, seating.real)
    plan = Plan(
        for_, virtual, parse_rotate(rotate) if rotate else BOUND,
        [parse_spoil(text, seating) for text in spoil or ()],
        [parse_press(text) for text in press or ()],
        visit=visit, ready=_ready(ready or [], settings, seating.real),
    )  # fmt: skip
    make_folder(out)
    console = Console(stderr=json, highlight=False)
    screen = console.is_terminal and sys.stdin.isatty() and not virtual and not plain
    look = Screen(json) if screen else Plain(sys.stderr if json else sys.stdout)
    if "board" in seating.real and not json:
        print(" ".join(COILS))
    said = settings.said | {f"real {name}": text for name, text in (("ports", ", ".join(port or ())), ("programs", "; ".join(exec_ or ()))) if text}
    with tempfile.TemporaryDirectory(prefix="benchsim-") as folder:
        session = Session(settings, book, seed, seating, plan, _files(Path(folder), out, save), [look], bench)
        with feeding(mqtt, "run", settings, seed, session.subject) as telling:
            session.looks += telling.looks(beside=screen)
            interrupted = session.run()
            results = session.judged()
            record = make_record(results, session.subject, seed, None, _replay(sys.argv[1:], seed), settings.text, said)
            record.cases = [replace(note, replay=record.replay) for note in record.cases]
            outcome = record.document["outcome"]
            for result in results:
                telling.judged(result)
            telling.ended(outcome, interrupted)
            if out:
                record.captures = session.captures()
                write_out(record, out)
            if json:
                write_json(record, sys.stdout)
            for result in results:
                case_line(console, case_note(result, ""), [verdict.as_json() for verdict in result.verdicts])
            print_report(console, record, report=str(out / "report.html") if out else "")
    return 130 if interrupted else EXIT[outcome]


def _files(own: Path, out: Path | None, save: Path | None) -> list[Path]:
    """What is recorded into: first the capture that the verdicts are made from."""
    first = (out or own) / CAPTURE
    return [first] + ([save] if save and save.resolve() != first.resolve() else [])


def _ready(cards: list[str], settings: Settings, real: frozenset[str]) -> list[str]:
    if len(cards) > 9:
        raise UsageError("--ready: expected nine at most, there are no more keys")
    for words in cards:
        if "@" in words or "+" in words:
            raise UsageError(f"--ready {words}: expected CARD or CARD:NAME=VALUE,…, a key begins and ends it")
        try:
            refuse_real([parse_fault(words, settings)], real)
        except UsageError as error:
            raise UsageError(str(error).replace("--fault", "--ready", 1)) from None
    return cards


def parse_rotate(text: str) -> Bound:
    """SIZE[*PARTS]. UsageError says what was expected."""
    found = re.fullmatch(r"(\d+)([KMG])(?:\*(\d+))?", text, re.IGNORECASE)
    size = int(found[1]) << UNITS[found[2].upper()] if found else 0
    parts = int(found[3] or BOUND.parts) if found else 0
    if not 1 << 12 <= size <= 1 << 40 or not 2 <= parts <= 9999:
        raise UsageError(f"--rotate {text}: expected SIZE or SIZE*PARTS, such as 64M*16, from 4K and 2 parts on")
    return Bound(size, parts)


def _replay(words: list[str], seed: int) -> str:
    told = [i for i, word in enumerate(words) if word.partition("=")[0] == "--mqtt"]  # nobody need be told again
    left_out = {*told, *(i + 1 for i in told if words[i] == "--mqtt")}
    again = [word for i, word in enumerate(words) if word != "--json" and i not in left_out]
    return " ".join(shlex.quote(word) for word in ["benchsim", *again, *([] if "--seed" in words else ["--seed", str(seed)])])
