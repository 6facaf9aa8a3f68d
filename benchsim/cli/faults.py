"""`benchsim faults`: what can be wrong with a machine, card by card."""

import json as json_of
from functools import lru_cache
from textwrap import wrap
from typing import Annotated

import typer

from benchsim.faults import Card, card, cautions, load_cards
from benchsim.sweeps.dictionary import Dictionary, load_dictionary, shipped

WIDTH = 110


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("faults")(faults)


def faults(
    name: Annotated[str | None, typer.Argument(metavar="CARD", help="One card: its whole page.")] = None,
    json: Annotated[bool, typer.Option("--json", metavar="", help="The same as JSON, nothing else on stdout.")] = False,
) -> int:
    """Every fault card; or the page of one: what it is, what it does, what confirms and mends it, what can hurt.

    A card is laid with --fault at `benchsim run` and `benchsim check`, or with [[fault]] in a bench file.

    Examples:
      benchsim faults
      benchsim faults coil-jammed
      benchsim run --fault coil-jammed:row=2,column=3 --virtual --for 30 --press c@5 --press t@8
    """
    chosen = [card(name, "faults")] if name else list(load_cards().values())
    if json:
        print(json_of.dumps({"cards": [as_json(one) for one in chosen]}, indent=2, ensure_ascii=False))
    elif name:
        print("\n".join(page(chosen[0])))
    else:
        print("\n".join(_list(chosen)))
    return 0


def as_json(one: Card) -> dict:
    """A card as plain values."""
    known = _dictionary()
    return {
        "card": one.id, "group": one.group, "title": one.title, "acts_at": one.where, "does": one.mechanism.says,
        "parameters": {p.name: {"default": p.default, "range": p.range, "means": p.says} for p in one.parameters.values()},
        "cause": one.cause, "confirm": one.confirm, "minutes": one.minutes, "mend": one.mend, "hands": one.hands,
        "cautions": [cautions()[key] for key in one.hurts], "changed_wrongly": list(one.tempting), "quiet": one.quiet,
        "symptoms": [
            {"seen": name, "value": value, "share": round(share, 3), "sound": round(sound, 3)}
            for name, value, share, sound in (known.symptoms(one.id) if known and one.id in known.seen else ())
        ],
    }  # fmt: skip


def _list(cards: list[Card]) -> list[str]:
    lines, group = [], None
    for one in cards:
        if one.group != group:
            group = one.group
            lines += ["", group]
        lines.append(f"  {one.id:<28} {one.title}")
    return [*lines[1:], "", "Everything about one card: benchsim faults CARD"]


def page(one: Card) -> list[str]:
    """Lines for people."""
    lines = [f"{one.id}: {one.title}", f"  group        {one.group}, acts at {one.where}", *_told("does", _does(one))]
    for p in one.parameters.values():
        lines += _told("", f"{p.name} = {p.default}: {p.says} ({p.range})")
    lines += _told("cause", one.cause)
    lines += _told("confirm", f"{one.confirm} (about {one.minutes:g} min)")
    lines += _told("mend", one.mend)
    lines += _told("needs hands", "yes" if one.hands else "no, it is mended at the screen")
    for key in one.hurts:
        lines += _told("CAUTION", cautions()[key])
    if one.tempting:
        lines += _told("not these", f"{', '.join(one.tempting)}: changed in vain")
    if one.quiet:
        lines += _told("quiet", one.quiet)
    lines += _symptoms(one)
    lines += _told("try it", f"benchsim run --virtual --visit --fault {one.id}")
    return lines


def _does(one: Card) -> str:
    given = ", ".join(f"{name} {value}" for name, value in one.given.items())
    return f"{one.mechanism.says} ({given})" if given else one.mechanism.says


def _symptoms(one: Card) -> list[str]:
    """What its visits showed, from the shipped dictionary."""
    known = _dictionary()
    if known is None or one.id not in known.seen:
        return []
    rows = known.symptoms(one.id)
    head = f"what {known.runs[one.id]} simulated visits showed"
    if not rows:
        return _told("shows", f"{head} differs too little from the sound bench")
    lines = [f"  {'shows':<13}{head:<47} with it  sound"]
    return lines + [f"{'':15}{name:<32} {value:<14} {share:7.0%} {sound:6.0%}" for name, value, share, sound in rows]


@lru_cache
def _dictionary() -> Dictionary | None:
    path = shipped()
    return load_dictionary(path) if path else None


def _told(name: str, text: str) -> list[str]:
    return wrap(text, WIDTH, initial_indent=f"  {name:<13}", subsequent_indent=" " * 15, break_on_hyphens=False)
