"""A bench on pseudo-terminals: programs and blocking code, in real time. Nothing here is judged by the wall clock."""

import os
import sys
import threading
from pathlib import Path

import pytest

from benchsim.errors import UsageError
from benchsim.testing import PtyBench

ROOT = Path(__file__).parents[2]
HOST = f"{sys.executable} {ROOT / 'fixtures' / 'examples' / 'host.py'} {{kit}}"
RESET_0 = bytes.fromhex("7e01009f167e")


def test_a_program_is_heard_judged_and_ended():
    with PtyBench(seats=("host",)) as bench:
        program = bench.start(HOST)

        async def scenario(bench):
            await bench.stage.on_sale()
            await bench.clock.sleep(0.5)

        bench.run(scenario)
        assert program.ended is None
    assert not bench.broken()
    assert {verdict.rule for verdict in bench.verdicts() if verdict.outcome in ("pass", "unsure")} >= {"KIT-FRAME", "KIT-SEQ"}
    assert program.ended


def test_blocking_code_opens_the_port_itself():
    with PtyBench(seats=("host",), judge=False) as bench:
        port = os.open(bench.paths["kit"], os.O_RDWR | os.O_NOCTTY)
        try:
            bench.run(lambda bench: bench.clock.sleep(0.8))  # the board boots in half a second
            os.write(port, RESET_0)
            answer = os.read(port, 100)
        finally:
            os.close(port)
    assert answer[:4] == bytes.fromhex("7e810000")


def test_what_ended_by_itself_is_told():
    with PtyBench(seats=("host",), judge=False) as bench:
        bench.start(f"{sys.executable} -c \"print('no such screen')\" {{kit}}")
        bench.run_for(1)
    (note,) = bench.result.notes
    assert "ended with status 0" in note and "no such screen" in note


def test_calls_and_errors_come_back_to_the_test():
    with PtyBench(judge=False) as bench:
        assert bench.call(threading.current_thread).name == "benchsim"

        async def wrong(bench):
            raise ZeroDivisionError("mine")

        with pytest.raises(ZeroDivisionError, match="mine"):
            bench.run(wrong)


def test_a_broken_simulation_is_told_and_not_waited_for():
    def breaks():
        raise ZeroDivisionError("a seat of mine")

    with PtyBench(judge=False) as bench:
        bench.call(lambda: bench.clock.call_at(0, breaks))
        with pytest.raises(ZeroDivisionError, match="a seat of mine"):
            bench.run_for(30)


@pytest.mark.parametrize(
    ("seats", "command", "expected"),
    [(("host",), "sleep 1 {bus}", "bus"), (("nobody",), "", "nobody"), (("host",), "no-such-program {kit}", "no-such-program")],
)
def test_bad_usage_is_told_and_leaves_nothing(seats, command, expected):
    with pytest.raises(UsageError, match=expected), PtyBench(seats=seats, judge=False) as bench:
        bench.start(command)
    assert "benchsim" not in {thread.name for thread in threading.enumerate()}


def test_several_seats_have_a_path_each():
    with PtyBench(seats=("changer", "validator"), judge=False) as bench:
        assert set(bench.paths) == {"bus:changer", "bus:validator"}
        assert all(Path(path).exists() for path in bench.paths.values())
    assert not [path for path in bench.paths.values() if Path(path).exists()]


def test_nothing_is_left_open():
    before = set(os.listdir("/proc/self/fd")) if Path("/proc").exists() else set()
    for _ in range(3):
        with PtyBench(seats=("host", "changer"), judge=False) as bench:
            bench.run_for(0.05)
    after = set(os.listdir("/proc/self/fd")) if before else set()
    assert len(after) <= len(before)
