"""`benchsim rules`, `benchsim seats`: reference pages made from the rules and the protocol files."""

import json as json_of
from textwrap import wrap
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from benchsim.cli.seat_pages import DEPTHS, page, seat_names, summary
from benchsim.errors import UsageError
from benchsim.judge import all_rules
from benchsim.reports.practice import page_of
from benchsim.schema import load_book

WIDTH = 110  # of a page, columns


def add_to(app: typer.Typer) -> None:
    """Register the commands."""
    app.command("rules")(rules)
    app.command("seats")(seats)


def rules(rule: Annotated[str | None, typer.Argument(metavar="RULE", help="One rule's id.")] = None) -> int:
    """Every rule: who is judged, when it holds, its limit and source. One rule: also what breaks it in practice."""
    book, found = load_book(), all_rules()
    if rule and rule.upper() not in {one.id for one in found}:
        raise UsageError(f"rules {rule}: no such rule, expected an id such as KIT-WAIT (list: benchsim rules)")
    for one in found:
        if rule in (None, one.id) or rule.upper() == one.id:
            print("\n".join(page_of(one, book, whole=rule is not None)))
    return 0


def seats(
    seat: Annotated[str | None, typer.Argument(metavar="SEAT", help="One seat, e.g. changer: its whole page.")] = None,
    json: Annotated[bool, typer.Option("--json", metavar="", help="The same as JSON, nothing else on stdout.")] = False,
) -> int:
    """Every seat, how far it goes, what is not modelled; or the reference page of one seat.

    Commands and activities are counted by depth: modelled (the simulated seat does it), known (decoded and
    judged), link (known by its code alone, its bytes are told as they are).

    Examples:
      benchsim seats
      benchsim seats cashless1
      benchsim seats changer --json
    """
    book = load_book()
    if seat:
        document = page(seat, book)
        text = _page_text(document)
    else:
        document = {"seats": [summary(page(one, book)) for one in seat_names(book)]}
        text = None
    if json:
        print(json_of.dumps(document, indent=2, ensure_ascii=False))
    elif text is None:
        _print_list(document["seats"])
    else:
        print("\n".join(wrapped for line in text for wrapped in _wrapped(line)))
    return 0


# ---- the list


def _print_list(rows: list[dict]) -> None:
    table = Table(box=None)
    for title in ("seat", "links", "address", "levels", *DEPTHS, "plan"):
        table.add_column(title, no_wrap=True)
    for row in rows:
        table.add_row(row["seat"], ", ".join(row["links"]), row["address"] or "", _levels(row["levels"]),
                      *(str(row[depth] or "") for depth in DEPTHS), _yes(row["plan"]))  # fmt: skip
    Console(highlight=False).print(table)
    print("\nCommands and activities by depth: modelled (the simulated seat does it), known (decoded and judged),")
    print("link (known by its code alone). Everything about one seat: benchsim seats SEAT")
    print("\nNot modelled:")
    told: dict[str, list[str]] = {}
    for row in rows:
        if row["not_modelled"]:
            told.setdefault(row["not_modelled"], []).append(row["seat"])
    told["no simulated seat."] = [row["seat"] for row in rows if not row["simulated"]]
    for text, names in told.items():
        print("\n".join(_wrapped(f"  {', '.join(names)}: {text}")))


def _wrapped(line: str) -> list[str]:
    indent = " " * (len(line) - len(line.lstrip()) + 4)
    return wrap(line, WIDTH, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False) or [""]


def _yes(is_so: bool) -> str:
    return "yes" if is_so else "no"


def _levels(levels: list[int]) -> str:
    return ", ".join(map(str, levels))


# ---- one page


def _page_text(d: dict) -> list[str]:
    parts = (_head, _limits, _messages, _states, _settings, _cases)
    return [line for part in parts for line in part(d)]


def _head(d: dict) -> list[str]:
    where = f"{', '.join(d['links'])}" + (f", address {d['address']}" if d["address"] else "")
    lines = [f"{d['seat']}: {d['title']}", f"  link         {where}"]
    if d["levels"]:
        lines.append(f"  levels       {_levels(d['levels'])}")
    lines.append(f"  source       {d['source']}, confidence {d['confidence']}")
    lines.append(f"  simulated    {_yes(d['simulated'])}")
    lines.append(f"  plan         {'yes: benchsim check --test ' + d['seat'] if d['plan'] else 'no'}")
    if d["just_reset"]:
        lines.append(f"  JUST RESET   {d['just_reset']}")
    if d["start"]:
        lines.append(f"  start-up     {', '.join(d['start'])}")
    if d["not_modelled"]:
        lines.append(f"  not modelled {d['not_modelled']}")
    if not d["commands"] and d["address"]:
        lines.append("  Blocks to this address and from it are read and judged at the link layer only.")
    return lines


def _limits(d: dict) -> list[str]:
    if not d["limits"]:
        return []
    wide = max(len(one["name"]) for one in d["limits"])
    return ["", "Limits"] + [
        f"  {one['name']:<{wide}}  {one['limit']}: {one['says']} ({one['source']}, {one['confidence']})"
        for one in d["limits"]
    ]


def _messages(d: dict) -> list[str]:
    lines = []
    for key, title in (("commands", "Commands"), ("activities", "Activities, in answers to POLL")):
        if d[key]:
            lines += ["", title if d["address"] or key == "commands" else "Events and reports"]
            for one in d[key]:
                lines += _message(one, d["source"])
    return lines


def _message(one: dict, source: str) -> list[str]:
    notes = [one["depth"], f"confidence {one['confidence']}"]
    if one["level"] is not None and one["level"] > 1:
        notes.append(f"from level {one['level']}")
    if one["feature"] is not None:
        notes.append(f"feature {one['feature']}")
    if one["event"]:
        notes.append("event")
    if one["source"] != source:
        notes.append(one["source"])
    lines = [f"  {one['code']:<6} {one['name']}  [{', '.join(notes)}]"]
    for word, forms in (("fields", one["fields"]), ("answer", one.get("answer", []))):
        for form in forms:
            if form["fields"] != "none":
                when = f" {form['when']}" if form["when"] else ""
                lines.append(f"         {word}{when}: {form['fields']}")
    if one.get("replies"):
        lines.append(f"         in place of ACK or later: {', '.join(one['replies'])}")
    return lines


def _states(d: dict) -> list[str]:
    table = d["states"]
    if not table:
        return []
    letter = {state: chr(ord("a") + i) for i, state in enumerate(table["cells"])}
    columns = table["columns"]
    heads = [str(i + 1) for i in range(len(columns))]
    wide = max(map(len, letter)) + 4
    lines = ["", "States", "  a letter: it leads there; o: in order, no change; -: not in order"]
    lines.append("  " + " " * wide + " ".join(f"{head:>2}" for head in heads))
    for state, cells in table["cells"].items():
        told = (f"{_mark(cell, letter):>2}" for cell in cells)
        lines.append(f"  {letter[state]}  {state:<{wide - 3}}" + " ".join(told))
    lines += ["", "  Messages of the table (< told by the device)"]
    for head, column in zip(heads, columns, strict=True):
        lines.append(f"  {head:>4}  {_column(column)}")
    if table["set_up"]:
        lines.append(f"  Out of {next(iter(letter))}: once {' and '.join(table['set_up'])} were taken.")
    return lines


def _mark(cell: str | None, letter: dict[str, str]) -> str:
    return "-" if cell is None else letter[cell] if cell else "o"


def _column(column: dict) -> str:
    text = f"{'< ' if column['told'] else ''}{column['name']}"
    notes = [f"confidence {column['confidence']}"] if column["confidence"] != "A" else []
    if column["also"]:
        also = column["also"]
        notes.append(f"also in {', '.join(also['states'])} with feature {also['feature']}")
    if column["lasts"]:
        notes.append("acts again wherever it can")
    return text + (f"  [{'; '.join(notes)}]" if notes else "")


def _settings(d: dict) -> list[str]:
    if not d["settings"]:
        return []
    what = "machine ([machine.…]" if d["seat"] == "board" else f"simulated seat ([seats.{d['seat']}]"
    return ["", f"Settings of the {what} in the bench file)"] + [
        f"  {one['name']} = {json_of.dumps(one['default'])}  {one['means']} ({one['expects']})" for one in d["settings"]
    ]


def _cases(d: dict) -> list[str]:
    if not d["cases"]:
        return []
    wide = max(len(one["name"]) for one in d["cases"])
    title = f"Cases of the plan (benchsim check --test {d['seat']} --case NAME)"
    return ["", title, *(f"  {one['name']:<{wide}}  {one['provokes']}" for one in d["cases"])]
