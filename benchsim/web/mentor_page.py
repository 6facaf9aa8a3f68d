"""For mentors: how trainees get on, and what they take for what."""

import io
from pathlib import Path

from benchsim.drills.book import Book, opened
from benchsim.web.parts import Table, tag

RESULTS = "/results.csv"


def mentor_page(path: Path) -> None:
    """`path`: the file of results."""
    with tag("header", "bench-top"):
        tag("h1", "", "Drills: how everybody gets on")
        tag("a", "", "to the bench", href="/")
        tag("a", "", "drills", href="/drill")
        tag("a", "", "all results (CSV)", href=RESULTS)
    with tag("div", "bench drill"):
        with tag("section", "card", aria_label="progress"):
            tag("h2", "", "Progress by group of faults")
            progress = Table(("who", "group", "right", "points"), "progress")
        with tag("section", "card", aria_label="confusions"):
            tag("h2", "", "Taken for something else")
            confused = Table(("times", "it was", "named"), "confusions")
            none = tag("p", "soft")
    if not path.exists():
        with none:
            tag("span", "", "No drill has ended yet.")
        return
    with opened(path) as book:
        progress.set(_progress(book))
        confused.set([(str(n), hidden, named) for hidden, named, n in book.confusions()])


def results(path: Path) -> str:
    """All results as CSV."""
    if not path.exists():
        return ""
    with opened(path) as book, io.StringIO() as stream:
        book.export(stream)
        return stream.getvalue()


def _progress(book: Book) -> list[tuple[str, str, str, str]]:
    return [
        (who, group, f"{right} of {count}", f"{points:.0f}")
        for who, groups in book.progress().items() for group, (count, right, points) in groups.items()
    ]  # fmt: skip
