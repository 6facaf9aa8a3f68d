"""How a live bench is looked at: plain lines, or a screen that a process of its own draws.

Drawing takes longer than a device may take to answer, so the bench only hands over what there is to see, as a
line of JSON a second, and goes on.
"""

import json
import os
import signal
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager

from rich import box
from rich.console import Console, Group
from rich.live import Live
from rich.table import Table
from rich.text import Text

from benchsim.events import seconds
from benchsim.live.customer import KEYS
from benchsim.reports.words import OUTCOMES, printable

FIXED = 10  # lines of a picture beside links, seats and events
HELP = "   ".join([*(f"{key} {what}" for key, (what, _) in KEYS.items()), "q quit"])


def picture(session) -> dict:
    """All there is to see just now, as JSON values."""
    return {
        "title": session.settings.title,
        "time_s": round(seconds(session.clock.now()), 1),
        "links": [[name, t.rate, t.words, t.wrong] for name, t in session.traffic().items()],
        "seats": list(session.states().items()),
        "faults": session.active(),
        "events": session.events(),
        "verdicts": dict(Counter(outcome for outcome, _ in session.verdicts().values())),
        "ready": list(session.ready().items()),
        "disk_mb": [round(bytes_ / 1e6, 1) for bytes_ in session.disk()],
        "stalls_ms": round(1000 * seconds(session.stalls()), 1),
    }


def standing(verdicts: dict[str, int]) -> str:
    """Counts of verdicts in a line."""
    return ", ".join(f"{verdicts[name]} {name}" for name in OUTCOMES if verdicts.get(name)) or "nothing judged yet"


class Plain:
    """A line a second, and one for each event worth telling."""

    def __init__(self, stream):
        self._stream = stream

    def event(self, time_s: float, line: str) -> None:
        """Told at once."""
        self._say(f"{time_s:9.3f} s  {line}")

    def second(self, session) -> None:
        """Links and verdicts."""
        seen = picture(session)
        links = ", ".join(
            f"{name} {rate} words/s" + (f" ({wrong} wrong)" if wrong else "") for name, rate, _, wrong in seen["links"]
        )
        faults = f"; fault: {', '.join(seen['faults'])}" if seen["faults"] else ""
        disk = "" if round(seen["time_s"]) % 60 else "; captures: {} of at most {} MB".format(*seen["disk_mb"])
        self._say(f"{seen['time_s']:9.3f} s  {links}; {standing(seen['verdicts'])}{faults}{disk}")

    @contextmanager
    def on(self, session) -> Iterator[None]:
        """While the bench runs."""
        yield

    def _say(self, line: str) -> None:
        print(printable(line), file=self._stream, flush=True)


class Screen:
    """A terminal: drawn each second by a child, keys are read as they are pressed."""

    def __init__(self, err: bool):
        self._err = err

    def event(self, time_s: float, line: str) -> None:
        """Seen with the next picture."""

    def second(self, session) -> None:
        """Hand over a picture; a child that does not keep up misses it."""
        try:
            os.write(self._pipe, json.dumps(picture(session)).encode() + b"\n")
        except OSError:
            pass

    @contextmanager
    def on(self, session) -> Iterator[None]:
        """While the bench runs."""
        words = [sys.executable, "-c", "from benchsim.cli.live_view import main; main()", *(["--err"] if self._err else [])]
        child = subprocess.Popen(words, stdin=subprocess.PIPE)
        self._pipe = child.stdin.fileno()
        os.set_blocking(self._pipe, False)
        self.second(session)
        try:
            with keys(session, self):
                yield
        finally:
            child.stdin.close()
            child.wait()


@contextmanager
def keys(session, screen: Screen) -> Iterator[None]:
    """Keys of the terminal go to the session, one by one and unseen, until this is left."""
    try:
        import termios
        import tty
    except ImportError:  # no such terminals here: Ctrl-C ends it
        yield
        return
    import asyncio

    fd = sys.stdin.fileno()
    before = termios.tcgetattr(fd)
    loop = asyncio.get_running_loop()

    def pressed() -> None:
        read = os.read(fd, 64)
        if not read:
            loop.remove_reader(fd)
        for key in read.decode("ascii", "ignore").lower():
            session.press(key)
        screen.second(session)

    tty.setcbreak(fd)
    loop.add_reader(fd, pressed)
    try:
        yield
    finally:
        loop.remove_reader(fd)
        termios.tcsetattr(fd, termios.TCSADRAIN, before)


# ---- the child


def drawn(seen: dict, height: int) -> Group:
    """A picture for a terminal of so many lines. Everything is told in words as well as in colour."""
    head = Text(f"{seen['title']}   {seen['time_s']:.1f} s   ", "bold")
    head.append(standing(seen["verdicts"]), "bold red" if seen["verdicts"].get("fail") else "green")
    links = _table("link", "words/s", "words", "wrong")
    for name, rate, words, wrong in seen["links"]:
        links.add_row(name, str(rate), str(words), Text(f"{wrong} wrong" if wrong else "none", "bold red" if wrong else ""))
    seats = _table("seat", "state")
    for seat, state in seen["seats"]:
        seats.add_row(seat, Text(printable(state), "bold yellow" if "AWAY" in state else ""))
    events = _table("time", "last events")
    room = height - FIXED - len(seen["links"]) - len(seen["seats"])
    for time_s, line in seen["events"][-max(2, room) :]:
        events.add_row(f"{time_s:.3f} s", Text(printable(line)))
    fault = Text(f"fault: {', '.join(seen['faults']) or 'none'}   stalls of this computer: {seen['stalls_ms']} ms")
    fault.append("   captures: {} of at most {} MB".format(*seen["disk_mb"]))
    ready = "".join(f"   {key} {card}" for key, card in seen["ready"])
    return Group(head, Text(HELP + ready, "reverse"), links, seats, fault, events)


def _table(*columns: str) -> Table:
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1), pad_edge=False, show_edge=False)
    for name in columns:
        table.add_column(name, overflow="fold")
    return table


def draw(stream, console: Console) -> None:
    """Draw each picture that comes until no more do. The last one stays."""
    with Live(console=console, auto_refresh=False, vertical_overflow="ellipsis") as live:
        for line in stream:
            try:
                live.update(drawn(json.loads(line), console.height), refresh=True)
            except ValueError:  # a picture that was handed over in part
                continue


def main() -> None:
    """Of the child."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the bench ends it
    draw(sys.stdin, Console(stderr="--err" in sys.argv, highlight=False))
