"""Many plugin tests leave nothing behind. Here few, in two processes; `scripts/plugin_load.py` runs a thousand."""

import subprocess
import sys
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[2] / "scripts" / "plugin_load.py"


@pytest.fixture(scope="module")
def load():
    spec = spec_from_file_location("plugin_load", SCRIPT)
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_nothing_is_left_by_many_tests(load):
    status, last, found = load.leaks(50, 2)
    assert (status, found) == (0, []), last
    assert last.startswith("50 passed")


LEAKS = '''
import asyncio, os, subprocess, threading

KEPT = []


async def for_ever():
    await asyncio.Event().wait()


def test_it():
    KEPT.append(os.openpty())
    KEPT.append(subprocess.Popen(["sleep", "20"]))
    threading.Thread(target=threading.Event().wait, args=(5,), daemon=True).start()
    loop = asyncio.new_event_loop()
    KEPT.append((loop, loop.create_task(for_ever())))
'''


def test_what_is_left_is_found(load, monkeypatch):
    """Without this the test above could not fail."""
    monkeypatch.setattr(load, "MIXED", LEAKS)
    _, _, found = load.leaks(1, 1)
    for what in ("pseudo-terminals", "children", "tasks"):
        assert any(line.startswith(what) for line in found), (what, found)


def test_bad_usage_is_told():
    done = subprocess.run([sys.executable, str(SCRIPT), "many"], capture_output=True, text=True)
    assert (done.returncode, done.stderr) == (2, "usage: scripts/plugin_load.py [TESTS] [PROCESSES]\n")
