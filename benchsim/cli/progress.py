"""What a person sees while something takes long, and how a person is asked to act."""

from collections.abc import Callable

from rich.console import Console
from rich.progress import (
    BarColumn,
    MofNCompleteColumn,
    Progress,
    ProgressColumn,
    TextColumn,
    TimeElapsedColumn,
    TimeRemainingColumn,
)
from rich.text import Text

from benchsim.reports.cautions import COILS


def person(console: Console) -> Callable[[str], None]:
    """Asks whoever stands at the device to act, once told what moves."""
    console.print(" ".join(COILS))
    return lambda words: console.print(f"[bold]>> {words}[/bold]")


class Rate(ProgressColumn):
    """How fast it goes."""

    def render(self, task) -> Text:
        return Text(f"{task.speed:.1f}/s" if task.speed else "")


class Bar:
    """A bar while a person looks on. Inside it, a call counts one more, or tells (done, of all).
    `pace`: show rate and time left.
    """

    def __init__(self, console: Console, total: int | None, what: str = "cases played", pace: bool = False):
        columns = [TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeElapsedColumn()]
        if pace:
            columns += [Rate(), TextColumn("left"), TimeRemainingColumn()]
        self.bar = Progress(*columns, console=console, transient=True, disable=not console.is_terminal)
        self.task = self.bar.add_task(what, total=total)

    def __enter__(self):
        self.bar.__enter__()
        return self._told

    def _told(self, done: int | None = None, total: int | None = None) -> None:
        if done is None:
            self.bar.advance(self.task)
        else:
            self.bar.update(self.task, completed=done, total=total)

    def __exit__(self, *exc) -> None:
        self.bar.__exit__(*exc)
