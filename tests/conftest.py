"""What tests of several folders share."""

import importlib.util
import os
import signal
import tty
from pathlib import Path

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


# What must not run beside itself: several programs judged in real time at once would be a busy computer, which the bench
# tells from a fault by what it can, and two servers of the page would each be started twice.
ALONE = {
    "judged in real time": (
        "checks/test_panel_plan.py", "checks/test_pulled.py", "cli/test_check.py", "cli/test_check_devices.py",
        "cli/test_check_power.py", "cli/test_held.py", "cli/test_howto.py", "cli/test_run.py", "cli/test_run_between.py",
        "cli/test_run_mixed.py", "fixtures", "outside/test_ports_socat.py", "scripts/test_hostile.py",
    ),
    "page": ("reports/test_html_in_browser.py", "web"),
}  # fmt: skip


def group(test):
    """Of a test's id: its group or, if it has none, its file."""
    where = test.partition("::")[0].removeprefix("tests/")
    return next((name for name, places in ALONE.items() if {where, where.split("/")[0]} & set(places)), where)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config, log):
    """One process of several gets all tests of a group. (Marks of xdist do the same, but not with every pytest.)"""
    from xdist.scheduler import LoadScopeScheduling

    class Groups(LoadScopeScheduling):
        def _split_scope(self, nodeid):
            return group(nodeid)

    return Groups(config, log)


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


@pytest.fixture(scope="session")
def example():
    """`example("host")` is that program of `fixtures/examples/`, a module of its own each time."""

    def load(name):
        path = Path(__file__).parents[1] / "fixtures" / "examples" / f"{name}.py"
        spec = importlib.util.spec_from_file_location(f"example_{name}", path)
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        return module

    return load
