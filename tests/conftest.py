"""What tests of several folders share."""

import os
import signal
import tty

import pytest
from hypothesis import settings

# Same commit, same examples. `scripts/test --hypothesis-profile hunt` looks at new ones, ten times as many where a
# test names no number.
settings.register_profile("same", derandomize=True)
settings.register_profile("hunt", derandomize=False, max_examples=1000)
settings.load_profile("same")

# A shell that starts this in the background has it ignore Ctrl-C, and so would do every program that a test starts and
# interrupts.
signal.signal(signal.SIGINT, signal.default_int_handler)


class Adapter:
    """A device found by a path that outlives it: one end of a pseudo-terminal."""

    def __init__(self, path):
        self.path, self.fds = path, ()
        self.push()

    def push(self):
        """It is plugged in."""
        self.fds = os.openpty()
        tty.setraw(self.fds[1])
        self.path.symlink_to(os.ttyname(self.fds[1]))

    def pull(self):
        """It is pulled. Harmless twice."""
        self.path.unlink(missing_ok=True)
        fds, self.fds = self.fds, ()
        for fd in fds:
            os.close(fd)


@pytest.fixture
def adapter(tmp_path):
    made = Adapter(tmp_path / "device")
    yield made
    made.pull()
