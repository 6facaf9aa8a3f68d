"""`benchsim drill`: find out what is wrong with a machine, in a terminal."""

import sys
from pathlib import Path
from typing import Annotated

import typer

from benchsim.cli.places import LAST_SEED
from benchsim.drills.book import Book, Entry, opened
from benchsim.drills.debrief import debrief
from benchsim.drills.drill import SAFE_MINUTES, Drill, Step, parts, plugs
from benchsim.drills.sets import LEVELS, SETS, set_up
from benchsim.errors import UsageError
from benchsim.faults import load_cards
from benchsim.settings import Settings, load_settings
from benchsim.sweeps.dictionary import Dictionary, load_dictionary, shipped
from benchsim.sweeps.observables import LOOKS

BOOK = "drills.sqlite"
WAYS = {"l": "look", "c": "confirm", "r": "reseat", "p": "change", "n": "name"}
HELP = """  l WAY     look: {looks}
  c CARD    confirm a card by hand        cc [TEXT] cards (with that text)
  r PLUG    seat it again (plugs: rr)     p PART    change a part (parts: pp)
  n CARD    name the cause                q  leave, and go on another day"""


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("drill")(drill)


def drill(
    bench: Annotated[Path | None, typer.Argument(metavar="BENCH.toml", help="Bench file of the machine (default: the demo bench).")] = None,
    name: Annotated[str, typer.Option("--set", metavar="SET", help=f"Which drills: {', '.join(SETS)}.")] = "first day",
    nickname: Annotated[str, typer.Option("--as", metavar="NICKNAME", help="Who does it. A drill that was left goes on.")] = "trainee",
    level: Annotated[int | None, typer.Option("--level", metavar="N", min=1, max=len(LEVELS), help="How hard, 1 to 3, measured by the dictionary.")] = None,
    two: Annotated[bool, typer.Option("--two", metavar="", help="Two things are wrong at once.")] = False,
    seed: Annotated[int | None, typer.Option("--seed", metavar="N", min=0, max=LAST_SEED, help="This very drill (default: one that the trainee has not had).")] = None,
    book: Annotated[Path, typer.Option("--book", metavar="FILE", help="Where results are kept.")] = Path(BOOK),
    dictionary: Annotated[Path | None, typer.Option("--dictionary", metavar="FILE", help="A dictionary of a sweep of your own.")] = None,
    mentor: Annotated[bool, typer.Option("--mentor", metavar="", help="Progress of all trainees, and what they took for what.")] = False,
    export: Annotated[Path | None, typer.Option("--export", metavar="FILE.csv", help="Write all results as CSV.")] = None,
) -> int:  # fmt: skip
    """Find out what is wrong with a machine: look, measure, confirm, seat plugs again, change parts, name it.
    Steps cost minutes, parts changed in vain cost points.

    Somebody who knows the fault dictionary by heart takes the best path; you are scored against it.

    Examples:
      benchsim drill --as ida
      benchsim drill --set "link layer" --level 2 --as ida
      benchsim drill --mentor
    """
    with opened(book) as kept:
        if mentor or export:
            if export:
                _export(kept, export)
            if mentor:
                print("\n".join(_mentor(kept)))
            return 0
        if name not in SETS:
            raise UsageError(f"--set {name}: expected one of {', '.join(SETS)}")
        if dictionary is None and (dictionary := shipped()) is None:
            raise UsageError("drill: expected --dictionary FILE (make one: benchsim sweep)")
        _play(kept, load_dictionary(dictionary), load_settings(bench), (nickname, name, level, seed, two))
    return 0


def _play(book: Book, dictionary: Dictionary, settings: Settings, wanted: tuple) -> None:
    nickname, name, level, seed, two = wanted
    entry = book.open_one(nickname)
    if entry is None:
        seed = book.next_seed(nickname) if seed is None else seed
        begun, story = set_up(dictionary, settings, name, seed, level, two)
        entry = Entry(book.begin(nickname, name, level, seed, begun), nickname, name, level, seed, two, [])
    else:
        begun, story = set_up(dictionary, settings, entry.name, entry.seed, entry.level, entry.two)
        print(f"Drill {entry.number} goes on where it was left.")
    print(f"Drill {entry.number}, {entry.name}, {begun.budget:g} minutes, seed {entry.seed}\n\n  {story}\n")
    for step in entry.steps:
        _show(begun, begun.take(step))
    print(HELP.format(looks=", ".join(f"{one.name} ({one.minutes:g} min)" for one in LOOKS.values())))
    while not begun.over:
        step = _ask(begun)
        if step is None:
            print(f"Left. It goes on with: benchsim drill --as {nickname}")
            return
        try:
            _show(begun, begun.take(step))
        except UsageError as error:
            print(f"  {str(error).removeprefix('drill: ')}")
            continue
        book.keep(entry.number, begun)
    print("\n".join(debrief(begun, begun.score())))


def _ask(drill: Drill) -> Step | None:
    """The next step; None to leave."""
    while True:
        print(f"\n{drill.minutes:g} of {drill.budget:g} min > ", end="", flush=True)
        line = sys.stdin.readline()
        key, _, what = line.strip().partition(" ")
        if not line or key == "q":
            return None
        if key == "cc":
            print("\n".join(f"  {one.id:<28} {one.title}" for one in load_cards().values() if what.lower() in f"{one.id} {one.title}".lower()))
        elif key in ("pp", "rr"):
            print("\n".join(f"  {one}" for one in (parts() if key == "pp" else plugs())))
        elif key in WAYS:
            step = _safely(drill, Step(WAYS[key], what.strip()))
            if step:
                return step
        else:
            print("  expected l WAY, c CARD, r PLUG, p PART, n CARD, cc, rr, pp or q")


def _safely(drill: Drill, step: Step) -> Step | None:
    """What would hurt is said before; None: not done after all."""
    try:
        hurts = drill.hurts(step)
    except UsageError as error:
        print(f"  {str(error).removeprefix('drill: ')}")
        return None
    if not hurts:
        return step
    print("\n".join(f"  CAUTION  {one}" for one in hurts))
    print(f"  s make it safe first ({SAFE_MINUTES} min), g go on as it is, b back > ", end="", flush=True)
    answer = sys.stdin.readline().strip()
    return step if answer == "s" else step._replace(safe=False) if answer == "g" else None


def _show(drill: Drill, told) -> None:
    print(f"  {told.step.kind} {told.step.what} ({told.minutes:g} min)")
    print("\n".join(f"      {line}" for line in told.lines))


def _mentor(book: Book) -> list[str]:
    lines = []
    for who, groups in book.progress().items():
        lines += ["", who]
        lines += [f"  {group:<22} {right} of {count} right, {points:.0f} points" for group, (count, right, points) in groups.items()]
    confused = book.confusions()
    if confused:
        lines += ["", "Taken for something else"]
        lines += [f"  {n}x  {hidden} named as {named}" for hidden, named, n in confused]
    return lines[1:] or ["No drill has ended yet."]


def _export(book: Book, path: Path) -> None:
    try:
        with path.open("w", encoding="utf-8", newline="") as stream:
            book.export(stream)
    except OSError as error:
        raise UsageError(f"--export {path}: {(error.strerror or 'cannot be written').lower()}") from None
