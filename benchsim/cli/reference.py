"""`benchsim rules`, `benchsim seats`: reference pages made from the rules and the protocol files."""

from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from benchsim.checks.plans import PLANS
from benchsim.errors import UsageError
from benchsim.judge import all_rules
from benchsim.schema import load_book


def add_to(app: typer.Typer) -> None:
    """Register the commands."""
    app.command("rules")(rules)
    app.command("seats")(seats)


def rules(rule: Annotated[str | None, typer.Argument(metavar="RULE", help="One rule's id.")] = None) -> int:
    """Every rule: who is judged, when it holds, its limit and source."""
    book, found = load_book(), all_rules()
    if rule and rule.upper() not in {one.id for one in found}:
        raise UsageError(f"rules {rule}: no such rule, expected an id such as KIT-WAIT (list: benchsim rules)")
    for one in found:
        if rule and one.id != rule.upper():
            continue
        limit = one.limit_in(book)
        print(f"{one.id}  ({', '.join(one.judged)})" + ("  [advice: warns only]" if one.advice else ""))
        print(f"    {one.statement}")
        if limit:
            print(f"    limit: {limit.text} ({limit.says})")
        source, confidence = one.source_of(limit), one.confidence_of(limit)
        print(f"    source: {source or 'kit link reference'}, confidence {confidence}")
    return 0


def seats() -> int:
    """Every seat: its link and address, what is simulated, what can be tested."""
    book = load_book()
    table = Table("seat", "link", "address", "levels", "commands", "plan", box=None)
    for seat in ("host", "board", "panel"):
        table.add_row(seat, {"host": "kit, panel", "board": "kit, bus", "panel": "panel"}[seat], "", "", "",
                      "yes" if seat in PLANS else "not yet")  # fmt: skip
    for device in book.devices.values():
        for seat, address in device.seats.items():
            table.add_row(seat, "bus", f"{address:02X}", ", ".join(map(str, device.levels)),
                          str(len(device.commands)), "yes" if seat in PLANS else "not yet")  # fmt: skip
    Console(highlight=False).print(table)
    return 0
