"""`benchsim diagnose`: what is likely to be wrong, from a recording or from what somebody saw."""

import json as json_of
from difflib import get_close_matches
from pathlib import Path
from textwrap import wrap
from typing import Annotated

import typer

from benchsim.captures import open_capture
from benchsim.errors import UsageError
from benchsim.faults import load_cards
from benchsim.settings import load_settings
from benchsim.sweeps.diagnose import NONE_OF_THESE, SURE, Model, model_of
from benchsim.sweeps.dictionary import load_dictionary, shipped
from benchsim.sweeps.observables import LOOKS
from benchsim.sweeps.recorded import seen_in
from benchsim.sweeps.work import HEALTHY

MOST = 8  # hypotheses that are shown
TITLES = {HEALTHY: "nothing is wrong", NONE_OF_THESE: "no card, two at once, or something unknown"}


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("diagnose")(diagnose)


def diagnose(
    capture: Annotated[Path | None, typer.Argument(metavar="CAPTURE", help="A recording, best of a visit (benchsim run --visit --save).")] = None,
    seen: Annotated[list[str] | None, typer.Option("--seen", metavar="NAME=VALUE", help="Something that was seen (may be repeated, or with commas). `--seen list` lists what can be.")] = None,
    bench: Annotated[Path | None, typer.Option("--bench", metavar="BENCH.toml", help="Bench file of the machine (default: the demo bench).")] = None,
    dictionary: Annotated[Path | None, typer.Option("--dictionary", metavar="FILE", help="A dictionary of a sweep of your own.")] = None,
    json: Annotated[bool, typer.Option("--json", metavar="", help="JSON on stdout, nothing else there.")] = False,
) -> int:  # fmt: skip
    """Rank fault cards by probability, show the evidence, propose the next check.

    The dictionary behind it is computed from simulated visits; a probability is as good as that.

    Examples:
      benchsim run --virtual --visit --fault coin-jam --save visit.pcapng
      benchsim diagnose visit.pcapng
      benchsim diagnose --seen "screen.says-no-board=yes, panel.reports=10 or more"
    """
    if dictionary is None and (dictionary := shipped()) is None:
        raise UsageError("diagnose: expected --dictionary FILE (make one: benchsim sweep)")
    model = model_of(load_dictionary(dictionary))
    if seen and "list" in seen:
        print("\n".join(_list(model)))
        return 0
    if capture is None and not seen:
        raise UsageError("diagnose: expected a CAPTURE or --seen NAME=VALUE (list: benchsim diagnose --seen list)")
    settings = load_settings(bench)
    found, visit = {}, True
    if capture is not None:
        found, visit = seen_in(open_capture(capture), settings.book(), settings)
    found |= _parsed(model, seen or [])
    ranked = model.probabilities(found)
    told = _as_json(model, found, ranked)
    if json:
        print(json_of.dumps(told, indent=2, ensure_ascii=False))
        return 0
    if not visit:
        print("Not a recording of a visit: only what needs nobody's acts counts as evidence.\n")
    print("\n".join(_page(told)))
    return 0


def _parsed(model: Model, texts: list[str]) -> dict[str, str]:
    values = _values(model)
    found = {}
    for text in (part.strip() for one in texts for part in one.split(",")):
        name, sign, value = (part.strip() for part in text.partition("="))
        if name not in values or not sign:
            near = get_close_matches(name, values, 3, 0.4)
            raise UsageError(f"--seen {text}: expected NAME=VALUE" + (f", NAME one such as {', '.join(near)}" if near else "") + " (list: --seen list)")
        if value not in values[name]:
            raise UsageError(f"--seen {text}: expected one of {', '.join(values[name])}")
        found[name] = value
    return found


def _values(model: Model) -> dict[str, list[str]]:
    return {name: sorted({v for counts in model.seen.values() for v in counts.get(name, {})}) for name in model.names}


def _list(model: Model) -> list[str]:
    lines: list[str] = []
    values = _values(model)
    for look in LOOKS.values():
        lines += ["", f"{look.says} ({look.minutes:g} min)"]
        lines += [f"  {name:<32} {', '.join(values[name])}" for name in values if name.startswith(look.name + ".")]
    return lines[1:]


def _as_json(model: Model, found: dict[str, str], ranked: dict[str, float]) -> dict:
    known = load_cards()
    first = next(iter(ranked))
    return {
        "seen": found,
        "ranked": [
            {"card": card, "title": known[card].title if card in known else TITLES[card], "probability": round(p, 4)}
            for card, p in list(ranked.items())[:MOST]
        ],
        "sure": ranked[first] >= SURE and first != NONE_OF_THESE,
        "evidence": [
            {"seen": name, "value": value, "times": round(times, 1)} for name, value, times in model.spoke(found, ranked)
        ],
        "next": [
            {"check": check.says, "minutes": check.minutes, "bits": round(check.bits, 3)}
            for check in model.next_checks(found, ranked)
        ],
    }  # fmt: skip


def _times(times: float) -> str:
    return f"{times:.1f}" if times < 10 else f"{times:.0f}" if times < 1000 else ">1000"


def _page(told: dict) -> list[str]:
    lines = [f"{'':2}{one['probability']:6.1%}  {one['card']:<26} {one['title']}" for one in told["ranked"] if one["probability"] >= 0.005]
    if not told["sure"]:
        lines += ["", "Not enough to say which: nothing of this is likely enough."]
    lines += ["", "Evidence that spoke (how much likelier with the first than without):" if told["evidence"] else "No evidence spoke."]
    lines += [f"  {one['seen']:<34} {one['value']:<14} {_times(one['times']):>5} times" for one in told["evidence"]]
    lines += ["", "Next, the most that is told in a minute first:" if told["next"] else "Nothing more to check tells much."]
    for one in told["next"]:
        lines += wrap(f"{one['check']} ({one['minutes']:g} min, {one['bits']:.2f} bits)", 110, initial_indent="  - ", subsequent_indent="    ")
    return lines
