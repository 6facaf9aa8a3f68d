"""`benchsim howto`: texts that stay with the version that is installed, where a build server has no checkout."""

from importlib.resources import files
from typing import Annotated

import typer

from benchsim.errors import UsageError

TOPICS = {"ci": "link tests in your build: pytest, programs, a Makefile, a workflow file, waivers, saved runs"}


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("howto")(howto)


def howto(topic: Annotated[str | None, typer.Argument(metavar="[TOPIC]", help="; ".join(f"{name}: {what}" for name, what in TOPICS.items()))] = None) -> int:
    """Print a text to work along; without a topic, which there are.

    Examples:
      benchsim howto ci
      benchsim howto ci > links.md
    """
    if topic is None:
        for name, what in TOPICS.items():
            print(f"{name:<6} {what}")
        return 0
    if topic not in TOPICS:
        raise UsageError(f"howto {topic}: expected one of {', '.join(TOPICS)}")
    print((files("benchsim") / "howto" / f"{topic}.md").read_text("utf-8"), end="")
    return 0
