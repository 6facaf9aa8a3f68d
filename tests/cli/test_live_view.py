"""The live view in a real pseudo-terminal, read back through a terminal emulator that was not written here (pyte)."""

import fcntl
import json
import os
import pty
import re
import select
import signal
import struct
import subprocess
import sys
import termios
import time
from pathlib import Path

import pyte
import pytest

ROOT = Path(__file__).parents[2]
PATIENCE = 60.0  # seconds; only a program that hangs gets there
COLUMNS, ROWS = 150, 50


class Terminal:
    """A terminal with `benchsim run` in it."""

    def __init__(self, *words):
        self.screen = pyte.Screen(COLUMNS, ROWS)
        self._stream = pyte.ByteStream(self.screen)
        self.ours, theirs = pty.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", ROWS, COLUMNS, 0, 0))
        self.before = termios.tcgetattr(theirs)
        self.running = subprocess.Popen(
            [sys.executable, "-m", "benchsim", "run", *words], cwd=ROOT, stdin=theirs, stdout=theirs, stderr=theirs,
            env=_of_terminal(), start_new_session=True, preexec_fn=_own_terminal,
        )  # fmt: skip
        self.theirs = theirs

    def look(self) -> str:
        """What stands on the screen now."""
        while select.select([self.ours], [], [], 0.02)[0]:
            self._stream.feed(os.read(self.ours, 65536))
        return "\n".join(self.screen.display)

    def until(self, *words) -> str:
        """Wait until the screen shows all of these."""
        end = time.monotonic() + PATIENCE
        while not all(word in (seen := self.look()) for word in words):
            assert time.monotonic() < end and self.running.poll() is None, f"no {words} in\n{seen}"
        return seen

    def takes_coins(self) -> None:
        """Wait until the bench has run for 3 s: by then all devices are enabled."""
        while True:
            found = re.search(r"(\d+\.\d) s", self.until("words/s"))
            if found and float(found[1]) >= 3:
                return

    def press(self, keys: str) -> None:
        os.write(self.ours, keys.encode())

    def ended(self) -> int:
        """The exit status."""
        end = time.monotonic() + PATIENCE
        while self.running.poll() is None and time.monotonic() < end:
            self.look()
        return self.running.wait(1)

    def close(self) -> None:
        if self.running.poll() is None:
            self.running.send_signal(signal.SIGKILL)
            self.running.wait()
        os.close(self.ours)
        os.close(self.theirs)


def _of_terminal() -> dict[str, str]:
    """Without the sizes that whoever runs the tests may have left."""
    return {k: v for k, v in os.environ.items() if k not in ("COLUMNS", "LINES")} | {"TERM": "xterm-256color"}


def _own_terminal():
    fcntl.ioctl(0, termios.TIOCSCTTY, 0)


@pytest.fixture
def terminal():
    opened = []

    def start(*words):
        opened.append(Terminal(*words))
        return opened[-1]

    yield start
    for each in opened:
        each.close()


def test_keys_and_what_is_shown(terminal, tmp_path):
    shown = terminal("--ready", "coin-jam", "--out", str(tmp_path / "out"))
    seen = shown.until("words/s", "on sale", "last events", "1 coin-jam")
    for word in ("bus", "kit", "panel", "board", "host", "changer", "validator", "cashless1", "fault: none", "of at most"):
        assert word in seen
    shown.until("Choose a product")
    shown.takes_coins()
    shown.press("c")
    shown.until("coin 1.00 put in", "credit 1.00")
    shown.press("t")
    shown.until("row 0, column 0 tapped")
    shown.press("b")
    shown.until("bill 5.00 put in")
    shown.press("k")
    shown.until("card with 10.00 held up")
    shown.press("1")
    shown.until("coin-jam begins", "fault: coin-jam")
    shown.press("1")
    shown.until("coin-jam ends", "fault: none")
    shown.press("\x03")  # Ctrl-C, as the terminal has it
    assert shown.ended() == 130
    told = shown.look()
    assert "ended by Ctrl-C" in told or "Report:" in told
    assert (tmp_path / "out" / "report.html").exists()
    assert json.loads((tmp_path / "out" / "verdicts.json").read_text())["summary"]["pass"]
    judged = subprocess.run(
        [sys.executable, "-m", "benchsim", "judge", str(tmp_path / "out" / "capture.pcapng")],
        cwd=ROOT, capture_output=True, timeout=60, check=False,
    )  # fmt: skip
    assert judged.returncode in (0, 3), judged.stdout[-2000:]
    assert termios.tcgetattr(shown.theirs) == shown.before  # echo and lines are back


def test_a_key_ends_it(terminal):
    shown = terminal("--plain", "--for", "300")
    shown.until("words/s")
    shown.running.send_signal(signal.SIGINT)
    assert shown.ended() == 130
    quits = terminal()
    quits.until("q quit")
    quits.press("q")
    assert quits.ended() in (0, 3), quits.look()


def test_a_narrow_terminal(terminal):
    """What it shows fits: the keys stand in the second line, the last events below."""
    shown = terminal()
    fcntl.ioctl(shown.theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 60, 0, 0))
    shown.screen.resize(24, 60)
    shown.until("demo bench", "q quit", "kit")
    shown.press("q")
    assert shown.ended() in (0, 3), shown.look()
