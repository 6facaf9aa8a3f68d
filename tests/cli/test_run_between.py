"""The bench between two real ends: sample host and sample board, sample board and sample devices, each a program of
its own. A busy machine may leave verdicts unsure; whoever does nothing wrong never fails.
"""

import json
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
HOST = "python3 fixtures/sample_host/host.py {kit:host} {panel:host}"
STUBBORN = "python3 fixtures/sample_host/faulty.py stubborn {kit:host} {panel:host}"
BOARD = "python3 fixtures/sample_board/board.py {kit:board}"
MASTER = "python3 fixtures/sample_board/board.py --bus {bus:board}"
CHANGER = "python3 fixtures/sample_devices/changer.py {bus:changer}"
VALIDATOR = "python3 fixtures/sample_devices/validator.py {bus:validator}"


def between(folder, *words):
    """{(rule, seat): outcome}, and what was told."""
    done = subprocess.run(
        [sys.executable, "-m", "benchsim", "run", "--json", "--out", str(folder), *words],
        cwd=ROOT, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode in (0, 1, 3), done.stderr[-2000:]
    document = json.loads(done.stdout)
    return {(v["rule"], v["judged"]): v for v in document["verdicts"]}, done.stderr


def programs(*commands):
    return [word for command in commands for word in ("--exec", command)]


def failed(found):
    return {key for key, v in found.items() if v["outcome"] == "fail"}


@pytest.fixture(scope="module")
def host_and_board(tmp_path_factory):
    """Half of what the board says is lost on the way, and some bits of what the host says are turned."""
    folder = tmp_path_factory.mktemp("between")
    spoils = ["--spoil", "kit:board:drop=0.5@3+2", "--spoil", "kit:host:corrupt=0.3@3+2"]
    return folder, *between(folder, "--for", "6", *programs(HOST, BOARD), *spoils)


def test_host_and_board_each_judged_at_its_own_end(host_and_board):
    _, found, said = host_and_board
    assert {seat for _, seat in found} == {"host", "board"}
    assert not failed(found), said[-3000:]
    for rule, seat in (("KIT-FRAME", "host"), ("KIT-FRAME", "board"), ("KIT-SHAPE", "host"), ("KIT-SEQ", "host")):
        assert found[rule, seat]["outcome"] == "pass"


def test_what_was_spoilt_on_the_way_is_told_and_answered_for(host_and_board):
    _, found, said = host_and_board
    assert found["KIT-RETRY", "host"]["checked"], said[-3000:]
    told = [line for line in said.splitlines() if "lumps of words" in line]
    assert "from host" in told[0] and " 0 lost" in told[0] and " 0 changed" not in told[0]
    assert "from board" in told[1] and " 0 lost" not in told[1] and " 0 changed" in told[1]
    assert "passing them on took" in told[0]


def test_both_recordings_judged_again(host_and_board):
    folder, found, _ = host_and_board
    for seat in ("host", "board"):
        done = subprocess.run(
            [sys.executable, "-m", "benchsim", "judge", str(folder / f"capture-{seat}.pcapng"), "--json"],
            cwd=ROOT, capture_output=True, text=True, timeout=60, check=False,
        )  # fmt: skip
        again = {(v["rule"], v["judged"]): v["outcome"] for v in json.loads(done.stdout)["verdicts"]}
        live = {key: v["outcome"] for key, v in found.items() if key[1] == seat}
        assert {key: again[key] for key in live} == live and {seat} == {judged for _, judged in again}


def test_a_fault_of_a_real_host_is_found_by_what_is_done_on_the_way(tmp_path):
    """It tries six times where four are the most: counted, not timed, so that a busy machine shows it too."""
    spoil = ["--spoil", "kit:board:drop@3"]
    found, said = between(tmp_path, "--for", "6", *programs(STUBBORN, BOARD), *spoil)
    assert found["KIT-RETRY", "host"]["outcome"] == "fail", said[-3000:]
    assert not {seat for _, seat in failed(found)} - {"host"}


def test_a_board_and_two_devices(tmp_path):
    found, said = between(tmp_path, "--for", "3", *programs(MASTER, CHANGER, VALIDATOR))
    assert {seat for _, seat in found} == {"board", "changer", "validator"}
    # On a busy machine a program may be late itself, which nobody can tell from a slow one: only what has no times.
    for rule, seat in (("BUS-MODE-OUT", "board"), ("BUS-SUM-IN", "changer"), ("BUS-SHAPE", "validator")):
        assert found[rule, seat]["outcome"] == "pass"
    assert (tmp_path / "capture-board.pcapng").exists() and (tmp_path / "capture-changer-validator.pcapng").exists()
