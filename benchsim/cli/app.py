"""Commands, each in a module of its own."""

from typing import Annotated

import typer

from benchsim.checks.result import tool_version
from benchsim.cli import benches, check, decode, diagnose, drill, faults, howto, judge, ports, reference, run, serve, sweep

app = typer.Typer(pretty_exceptions_enable=False)


def _tell_version(wanted: bool) -> None:
    if wanted:
        print(f"benchsim {tool_version()}")
        raise typer.Exit


@app.callback()
def benchsim(
    version: Annotated[bool, typer.Option("--version", metavar="", is_eager=True, callback=_tell_version, help="Show the version and exit.")] = False,
) -> None:
    """Test bench for vending machine conversion kits: plays every party on the links and judges them."""


for module in (check, run, benches, faults, sweep, diagnose, drill, serve, judge, decode, ports, reference, howto):
    module.add_to(app)
