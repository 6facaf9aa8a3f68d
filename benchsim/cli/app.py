"""Commands, each in a module of its own."""

import typer

from benchsim.cli import check, judge, reference

app = typer.Typer(
    help="Test bench for vending machine conversion kits: plays every party on the links and judges them.",
    pretty_exceptions_enable=False,
)
for module in (check, judge, reference):
    module.add_to(app)
