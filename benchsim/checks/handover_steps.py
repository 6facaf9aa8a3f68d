"""What a commissioning is made of: steps, each told as a happening when it begins and when it ends, with what was found."""

from collections.abc import Callable
from typing import NamedTuple

from benchsim.checks.stage import NotReached, Stage

NAME = "commissioning"
VENDS = ("coin", "bill", "card")


class Step(NamedTuple):
    """One step. `rules`: what is to be made of it; `needs`: why it cannot be done on this bench, or ""; `play` returns
    what was found.
    """

    name: str
    title: str
    rules: tuple[str, ...]
    needs: Callable[[Stage], str]
    play: Callable


def link_there(name: str) -> Callable[[Stage], str]:
    """A need: that link."""

    def lacks(s: Stage) -> str:
        return "" if s.bench.reached is None or name in s.bench.reached else f"the {name} link is not connected"

    return lacks


def tell(s: Stage, kind: str, **data) -> None:
    """Something that judges and readers must know, beside the links."""
    s.bench.trace.happening("bench", kind, **data)


async def play(s: Stage, steps: dict[str, Step], *turns: tuple[str, ...]) -> None:
    """Steps by name, turn by turn. One that cannot be done is left; the next one is tried all the same."""
    for turn, names in enumerate(turns, 1):
        for name in names:
            await _do(s, turn, steps[name])


async def _do(s: Stage, turn: int, step: Step) -> None:
    lacks = step.needs(s)
    if lacks:
        tell(s, "step", state="skipped", turn=turn, name=step.name, found=lacks)
        return
    tell(s, "step", state="begins", turn=turn, name=step.name, found="")
    try:
        found = await step.play(s)
    except NotReached as why:
        s.note(f"{step.title}: {why}")
        tell(s, "step", state="left", turn=turn, name=step.name, found=str(why))
    else:
        tell(s, "step", state="ends", turn=turn, name=step.name, found=found)
