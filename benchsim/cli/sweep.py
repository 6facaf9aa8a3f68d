"""`benchsim sweep`: many visits at benches with something wrong, and what they show."""

import random
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from benchsim.cli.feeding import Mqtt, Untold, counted, feeding
from benchsim.cli.places import LAST_SEED, make_folder
from benchsim.cli.progress import Bar
from benchsim.cli.seat_pages import seat_names
from benchsim.errors import UsageError
from benchsim.faults import card, load_cards
from benchsim.feeds.telling import Telling
from benchsim.schema import load_book
from benchsim.settings import Settings, load_settings
from benchsim.sweeps.dictionary import build
from benchsim.sweeps.find import as_bench_file
from benchsim.sweeps.find import find as find_faults
from benchsim.sweeps.store import NAME, Store, about_of
from benchsim.sweeps.sweep import sweep as run_sweep
from benchsim.sweeps.work import HEALTHY, jobs

PAIRS = 60  # of cards, by chance: enough to measure by


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("sweep")(sweep)


def sweep(
    bench: Annotated[Path | None, typer.Argument(metavar="BENCH.toml", help="Bench file (default: the demo bench).")] = None,
    cards: Annotated[list[str] | None, typer.Option("--cards", metavar="CARD", help="Cards (or groups, or CARD+CARD for two at once, or pairs: many such by chance; may be repeated). Default: all, and the healthy bench.")] = None,
    seeds: Annotated[int, typer.Option("--seeds", metavar="N", min=1, help="Visits for each card.")] = 200,
    first: Annotated[int, typer.Option("--first", metavar="N", min=0, max=LAST_SEED, help="The first seed.")] = 0,
    workers: Annotated[int, typer.Option("--workers", metavar="N", min=0, help="Processes; 0: one for each processor.")] = 0,
    cluster: Annotated[str | None, typer.Option("--cluster", metavar="ADDRESS", help="Do the work on the Dask cluster with its scheduler there, e.g. tcp://host:8786.")] = None,
    held_out: Annotated[int, typer.Option("--held-out", metavar="N", min=0, help="Keep the last N seeds from the dictionary and measure it by them.")] = 0,
    find: Annotated[str | None, typer.Option("--find", metavar="RULE", help="Look for faults that break this rule and shrink them; --seeds is the most visits tried.")] = None,
    test: Annotated[str | None, typer.Option("--test", metavar="SEAT", help="With --find: only this seat's verdict counts.")] = None,
    out: Annotated[Path, typer.Option("--out", metavar="DIR", help="Where the results go. A sweep that was broken off goes on there.")] = Path("sweep"),
    mqtt: Mqtt = None,
) -> int:  # fmt: skip
    """Play a technician's visit at benches with something wrong, card by card and seed by seed, in virtual time.

    Writes DIR/sweep.sqlite (a row for each visit), dictionary.json (how often each card shows what, which cards
    look alike, which check tells them apart) and dictionary.html (the same to look at). Break it off whenever
    you like: the same command goes on where it was.

    Examples:
      benchsim sweep --seeds 50
      benchsim sweep --cards coils-and-delivery --cards coin-jam --seeds 20 --out coils
      benchsim sweep --find KIT-ONCE --cards kit-link --test host --seeds 300
      benchsim sweep --cluster tcp://localhost:8786
    """
    settings = load_settings(bench)
    _agree(find, test, seeds, held_out)
    make_folder(out)
    console = Console(highlight=False)
    if find:
        with feeding(mqtt, "sweep", settings, first, test) as telling:
            return _find(console, settings, find.upper(), cards, first, seeds, test, out, telling)
    wanted = jobs(_cards(settings, cards), first, seeds)
    with Store(out / NAME, about_of(settings)) as store, feeding(mqtt, "sweep", settings, first, None) as telling:
        before = len(store.done() & set(wanted))
        try:
            with Bar(console, len(wanted), "visits", pace=True) as bar:
                told = counted(bar, telling, len(wanted), "runs", before)
                done = run_sweep(settings, wanted, store, workers, cluster, told)
        except KeyboardInterrupt:
            telling.ended(None, True)
            print(f"Broken off; {len(store.done())} visits are kept. The same command goes on.")
            return 130
        print(f"{done} visits played, {before} were there already: {out / NAME}")
        _dictionary(store, out, held_out)
    return 0


def _agree(find: str | None, test: str | None, seeds: int, held_out: int) -> None:
    """UsageError for options that make no sense with each other."""
    if test and not find:
        raise UsageError(f"--test {test}: expected --find RULE with it")
    if test and test not in (known := seat_names(load_book())):
        raise UsageError(f"--test {test}: no such seat, expected one of {', '.join(known)}")
    if held_out >= seeds:
        raise UsageError(f"--held-out {held_out}: expected fewer than the visits of a card (--seeds {seeds})")


def _find(console: Console, settings: Settings, rule: str, cards: list[str] | None, seed: int, tries: int,
          seat: str | None, out: Path, telling: Telling | Untold) -> int:  # fmt: skip
    names = [name for name in _cards(settings, cards) if name != HEALTHY and "+" not in name]
    with Bar(console, tries, "visits", pace=True) as bar:
        faults = find_faults(settings, rule, names, seed, tries, seat, counted(bar, telling, tries, "runs"))
    if faults is None:
        print(f"Nothing found: {rule} held in at most {tries} visits with faults of {len(names)} cards.")
        return 0
    path = out / f"breaks-{rule}.toml"
    path.write_text(as_bench_file(settings, faults, rule, seed), "utf-8")
    print(f"{rule} is broken by {', '.join(fault.text for fault in faults)}")
    print(f"Play it again: benchsim run {path} --virtual --visit")
    return 1


def _dictionary(store: Store, out: Path, held_out: int) -> None:
    from benchsim.sweeps.page import write_page

    try:
        dictionary = build(store, held_out)
    except UsageError as why:  # a sweep of a few cards only
        print(f"No dictionary yet: {why}")
        return
    dictionary.save(out / "dictionary.json")
    write_page(dictionary, out / "dictionary.html")
    print(f"{len(dictionary.cards)} cards compared: {out / 'dictionary.json'}, {out / 'dictionary.html'}")
    if dictionary.measured:
        print("\n".join(_measured(dictionary.measured)))


def _measured(found: dict) -> list[str]:
    """The figures for people."""
    cards, healthy, pairs, unknown = (found[name] for name in ("cards", "healthy", "pairs", "unknown"))
    lines = [
        f"{cards['visits']} visits kept back: right first {cards['right_first']:.1%}, among the first three "
        f"{cards['right_in_three']:.1%}, right or one that looks alike first {cards['right_or_alike_first']:.1%}",
    ] if cards["visits"] else []
    if healthy["visits"]:
        lines.append(f"{healthy['visits']} healthy: false alarms {healthy['false_alarms']:.1%}")
    for name, row in (("two faults at once", pairs), ("a fault that the dictionary lacks", unknown)):
        if row["visits"]:
            lines.append(f"{row['visits']} with {name}: confident and wrong {row['confident_and_wrong']:.1%}, "
                         f"none of these first {row['none_of_these_first']:.1%}")
    return lines + [f"  said {row['said']:.2f}: true {row['true']:.2f} ({row['claims']} claims)" for row in found["calibration"]]


def _cards(settings: Settings, given: list[str] | None) -> list[str]:
    """Names of cards, groups and pairs as a list of what is to be played."""
    known = load_cards()
    if not given:
        given = [HEALTHY, *known]
    found: list[str] = []
    for text in (part for one in given for part in one.split(",")):
        group = [one.id for one in known.values() if text in (one.group, one.group.replace(" ", "-"))]
        if text == "all":
            found += [HEALTHY, *known]
        elif text == "pairs":
            rng = random.Random(text)
            found += ["+".join(rng.sample([*known], 2)) for _ in range(PAIRS)]
        elif group or text == HEALTHY:
            found += group or [text]
        else:
            for name in text.split("+"):
                card(name, f"--cards {text}")
            found.append(text)
    fitted = [name for name in dict.fromkeys(found) if _plays(settings, name)]
    if not fitted:
        raise UsageError("--cards: none of these can be laid at this bench, expected at least one")
    return fitted


def _plays(settings: Settings, name: str) -> bool:
    """Are the devices that its cards can act at on this bench?"""
    known, seats = load_cards(), load_book().bus_seats
    for one in [] if name == HEALTHY else name.split("+"):
        asked = known[one].parameters.get("seat")
        needed = asked.among if asked else known[one].mechanism.needed(known[one].values({}))
        if any(seat in seats and not settings.fitted(seat) for seat in needed):
            return False
    return True
