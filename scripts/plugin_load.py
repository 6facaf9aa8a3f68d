#!/usr/bin/env python3
"""What the pytest plugin costs a test, and what many tests leave behind.

    scripts/plugin_load.py [TESTS] [PROCESSES]     default 1000 tests in 2 processes

Of ten tests eight have a host of their own in virtual time, one a bench on pseudo-terminals, one a program there that
never ends by itself. Afterwards each process looks for what it still has: file descriptors and pseudo-terminals more
than at the beginning, threads, child processes, asyncio tasks that are not done. Status 1 if there is any, or if a
test failed.
"""

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
SETTINGS = "[pytest]\nfilterwarnings = error\nasyncio_default_fixture_loop_scope = function\n"
CONFTEST = '''
import asyncio, gc, json, os, threading, time
from pathlib import Path

import pytest

HERE, SETTLED = Path(__file__).parent, 20  # tests after which everything has been imported and opened once
spent, begun = [], {}


def left():
    gc.collect()
    fds = {fd: os.readlink(f"/proc/self/fd/{fd}") for fd in os.listdir("/proc/self/fd") if os.path.exists(f"/proc/self/fd/{fd}")}
    return {
        "descriptors": len(fds),
        "pseudo-terminals": sum(to.startswith("/dev/pt") for to in fds.values()),
        "threads": threading.active_count(),
        "children": sum(len(p.read_text().split()) for p in Path("/proc/self/task").glob("*/children")),
        "tasks": sum(isinstance(one, asyncio.Task) and not one.done() for one in gc.get_objects()),
    }


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_runtest_protocol(item):
    began = time.process_time()
    done = yield
    spent.append(time.process_time() - began)
    return done


def pytest_runtest_logfinish(nodeid):
    begun["tests"] = begun.get("tests", 0) + 1
    if begun["tests"] == SETTLED:
        begun["left"] = left()


def pytest_sessionfinish(session):
    if getattr(session.config.option, "dist", "no") == "no" or hasattr(session.config, "workerinput"):
        told = {"tests": begun.get("tests", 0), "spent": sum(spent), "first": spent[:1], "before": begun.get("left"), "after": left()}
        (HERE / f"left-{os.getpid()}.json").write_text(json.dumps(told))
'''
MIXED = '''
import pytest
from my_host import Host


async def virtual(bench):
    bench.start(Host(*bench.connect("kit")).run())
    await bench.clock.sleep(2)


def on_ptys(bench, command):
    if command:
        bench.start(command)
    bench.run_for(0.02)


@pytest.mark.benchsim(seats="host", judge=False)
@pytest.mark.parametrize("number", range({tests}))
def test_many(request, number):
    if number % 10 < 8:
        bench = request.getfixturevalue("bench")
        bench.run(virtual)
    else:
        on_ptys(request.getfixturevalue("pty_bench"), "sleep 600 {{kit}}" if number % 10 == 9 else "")
'''
EACH = '''
import pytest


@pytest.mark.parametrize("number", range({tests}))
def test_it({fixture}number):
    pass
'''


def run(test: str, *arguments: str) -> tuple[int, str, list[dict]]:
    """One pytest over a project of that one test file: status, output, and what each of its processes tells."""
    with tempfile.TemporaryDirectory(prefix="benchsim-load-") as name:
        folder = Path(name)
        for file, text in (("pytest.ini", SETTINGS), ("conftest.py", CONFTEST), ("test_load.py", test)):
            (folder / file).write_text(text)
        (folder / "my_host.py").write_text((ROOT / "fixtures" / "examples" / "host.py").read_text())
        paths = os.pathsep.join(filter(None, (str(ROOT), os.environ.get("PYTHONPATH"))))
        words = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *_plugin(), *arguments]
        done = subprocess.run(words, cwd=folder, env=os.environ | {"PYTHONPATH": paths}, capture_output=True, text=True)
        told = [json.loads(path.read_text()) for path in sorted(folder.glob("left-*.json"))]
    return done.returncode, done.stdout + done.stderr, told


def _plugin() -> list[str]:
    """Where benchsim is not installed with its entry point, the plugin is named."""
    from importlib.metadata import entry_points

    return [] if any(one.value == "benchsim.pytest_plugin" for one in entry_points(group="pytest11")) else ["-p", "benchsim.pytest_plugin"]


def milliseconds(fixture: str, tests: int = 300) -> tuple[float, float]:
    """Processor time of a test that asks for a fixture ("" for none), pytest's own work, set-up and tear-down in it: of all
    tests but the first, and of the first, which imports the bench.
    """
    status, output, told = run(EACH.format(tests=tests, fixture=f"{fixture}, " if fixture else ""))
    if status or not told:
        raise RuntimeError(output)
    (first,) = told[0]["first"]
    return (told[0]["spent"] - first) / (told[0]["tests"] - 1) * 1000, first * 1000


def leaks(tests: int, processes: int) -> tuple[int, str, list[str]]:
    """Many tests in so many processes: pytest's status and last line, and a line for everything that is left."""
    spread = ("-n", str(processes)) if processes > 1 else ("-p", "no:xdist")
    status, output, told = run(MIXED.format(tests=tests), *spread)
    found = []
    for process in told:
        before = process["before"] or process["after"]
        more = {name: (before[name], count) for name, count in process["after"].items() if count > before[name]}
        still = {name: process["after"][name] for name in ("pseudo-terminals", "children", "tasks") if process["after"][name]}
        found += [f"{name}: {was} before, {now} after" for name, (was, now) in more.items()]
        found += [f"{name}: {count} still there" for name, count in still.items()]
    if len(told) != processes or sum(process["tests"] for process in told) < tests:
        found.append(f"only {sum(process['tests'] for process in told)} of {tests} tests told what they left")
    return status, output.strip().splitlines()[-1] if output.strip() else "", found


def main() -> int:
    numbers = [int(word) for word in sys.argv[1:] if word.isdecimal()]
    if len(numbers) != len(sys.argv) - 1 or len(numbers) > 2 or 0 in numbers:
        print("usage: scripts/plugin_load.py [TESTS] [PROCESSES]", file=sys.stderr)
        return 2
    tests, processes = [*numbers, *(1000, 2)[len(numbers) :]]
    status, last, found = leaks(tests, processes)
    print(last)
    print("\n".join(found) or "nothing is left: no descriptor, pseudo-terminal, thread, process or task")
    return 1 if status or found else 0


if __name__ == "__main__":
    sys.exit(main())
