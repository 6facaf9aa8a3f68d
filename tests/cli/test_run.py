"""`benchsim run` as a user runs it. Real programs may be unsure on a busy machine, never failed."""

import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from benchsim.cli import run

ROOT = Path(__file__).parents[2]
HOST = "python3 fixtures/sample_host/host.py {kit} {panel}"
BOARD = "python3 fixtures/sample_board/board.py {kit}"
CHANGER = "python3 fixtures/sample_devices/changer.py {bus:changer}"


TAP = ["--port", "kit:host=pty", "--port", "kit:board=pty"]


def benchsim(*arguments):
    return subprocess.run(
        [sys.executable, "-m", "benchsim", *arguments], cwd=ROOT, capture_output=True, text=True, timeout=120
    )


def test_a_sale_in_virtual_time_and_the_same_bytes_twice(tmp_path, capsys):
    for name in ("a", "b"):
        words = ["--for", "12", "--press", "c@7", "--press", "c@8", "--press", "t@9", "--save", str(tmp_path / f"{name}.pcapng")]
        assert run(["run", "--virtual", *words]) == 0
    told = capsys.readouterr().out
    assert "coin 1.00 put in" in told and "machine drop row 0, column 0" in told
    assert (tmp_path / "a.pcapng").read_bytes() == (tmp_path / "b.pcapng").read_bytes()


def test_a_fault_begins_and_ends(capsys):
    words = ["--fault", "kit-cable-unplugged@4+2", "--fault", "changer-unplugged@5+1"]
    assert run(["run", "--virtual", "--for", "9", *words]) == 0
    told = capsys.readouterr().out
    assert "host screen: Out of order: no word from the machine" in told
    assert told.index("fault kit-cable-unplugged begins") < told.index("fault kit-cable-unplugged ends")
    assert "; fault: kit-cable-unplugged@4+2, changer-unplugged@5+1" in told


def test_a_long_run_in_parts_that_are_judged_together(tmp_path, capsys):
    """The first parts are gone at the end; what only they showed (the start-up) was judged as it went."""
    out = tmp_path / "out"
    assert run(["run", "--virtual", "--for", "61", "--rotate", "32K*3", "--out", str(out), "--json"]) == 0
    told = capsys.readouterr()
    verdicts = {(v["rule"], v["judged"]): v["outcome"] for v in json.loads(told.out)["verdicts"]}
    assert verdicts["KIT-START", "host"] == verdicts["BUS-BREAK", "board"] == "pass"
    assert "was dropped" in told.err and "judged as it went" in told.err
    assert "captures: 0.1 of at most 0.1 MB" in told.err  # told once a minute
    parts = sorted(map(str, out.glob("capture*.pcapng")))
    assert len(parts) == 3 and "capture.pcapng" not in parts[0]
    assert run(["judge", *parts[::-1], "--json"]) == 0
    again = {(v["rule"], v["judged"]): v["outcome"] for v in json.loads(capsys.readouterr().out)["verdicts"]}
    assert again["BUS-POLL-RATE", "board"] == "pass" and again["KIT-START", "host"] == "unseen"


@pytest.mark.parametrize(
    ("commands", "judged"),
    [
        ([HOST], {"host"}),
        ([HOST, CHANGER], {"host", "changer"}),
        (["--real-board", BOARD], {"board"}),
    ],
)
def test_programs_on_some_seats(commands, judged):
    words = ["--real", "board"] if commands[0] == "--real-board" else []
    words += [word for command in commands if command != "--real-board" for word in ("--exec", command)]
    done = benchsim("run", "--for", "3", "--json", *words)
    assert done.returncode in (0, 3), done.stderr
    document = json.loads(done.stdout)
    assert {v["judged"] for v in document["verdicts"]} == judged
    assert document["summary"]["fail"] == 0 and document["summary"]["pass"]


def test_a_program_that_is_killed_is_told_and_fails(capsys):
    """It never said a word: SYS-PRESENT, whatever the machine is busy with."""
    assert run(["run", "--for", "1.5", "--json", "--exec", "sh -c 'sleep 0.2; kill -9 $$' {kit}"]) == 1
    told = capsys.readouterr()
    assert "a program was ended by SIGKILL" in told.err
    verdicts = {v["rule"]: v["outcome"] for v in json.loads(told.out)["verdicts"]}
    assert verdicts["SYS-PRESENT"] == "fail"


def test_ctrl_c_leaves_report_and_capture_whole(tmp_path):
    running = subprocess.Popen(
        [sys.executable, "-m", "benchsim", "run", "--out", str(tmp_path / "out")],
        cwd=ROOT, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    for line in running.stdout:
        if "kit" in line and "words/s" in line:
            break
    time.sleep(0.2)
    running.send_signal(signal.SIGINT)
    said = running.communicate(timeout=60)[0]
    assert running.returncode == 130
    assert "ended by Ctrl-C" in said
    assert (tmp_path / "out" / "report.html").exists()
    assert benchsim("judge", str(tmp_path / "out" / "capture.pcapng")).returncode in (0, 3)


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--port", "bus=pair-pty"], "who sits there?"),
        (["--port", "coil=pty"], "expected LINK=WHERE or LINK:SEAT=WHERE"),
        (["--port", "kit:changer=pty"], "expected a seat of the kit link: host, board"),
        (["--port", "kit=serial:/dev/none"], "/dev/none: no such device"),
        (["--port", "kit=pty", "--port", "kit=pty"], "sits on the kit link twice"),
        (["--port", "kit:host+board=pty"], "both sides of a link need a port each"),
        (["--port", "bus:changer+king=pair-pty"], "expected a seat of the bus link"),
        (["--exec", "python3 x.py {bus:changer+king}"], "expected a seat of the bus link"),
        (["--port", "kit=pty", "--spoil", "kit:drop@3"], "expected a link with real seats at both ends"),
        ([*TAP, "--spoil", "kit:drop"], "expected LINK[:SEAT]:HOW[=AMOUNT]@SECONDS[+FOR]"),
        ([*TAP, "--spoil", "kit:lose@3"], "expected one of drop, corrupt, delay"),
        ([*TAP, "--spoil", "kit:changer:drop@3"], "expected a real seat of the kit link: host, board"),
        ([*TAP, "--spoil", "kit:drop=2@3"], "expected a share from 0 to 1 after drop="),
        (["--real", "board"], "where is it?"),
        (["--real", "king"], "no such seat"),
        (["--exec", "python3 x.py"], "expected a link in braces"),
        (["--virtual"], "expected --for SECONDS with it"),
        (["--virtual", "--for", "1", "--port", "kit=pty"], "expected no real seat with it"),
        (["--fault", "coin jam"], "expected CARD, CARD@SECONDS or CARD:NAME=VALUE@SECONDS+FOR"),
        (["--fault", "coin-jem@3"], "expected one such as coin-jam"),
        (["--fault", "coil-jammed:row=6"], "row: expected a whole number from 0 to 5, not 6"),
        (["--fault", "coil-jammed:depth=6"], "has no 'depth', expected one of its parameters: row, column"),
        (["--fault", "host-hung@3", "--port", "kit=pty"], "the host is real"),
        (["--press", "x@3"], "expected KEY@SECONDS"),
        (["--ready", "nonsense"], "--ready nonsense: no card"),
        (["--ready", "coin-jam@3"], "a key begins and ends it"),
        (["--rotate", "64M*1"], "expected SIZE or SIZE*PARTS"),
        (["--rotate", "much"], "expected SIZE or SIZE*PARTS"),
        (["--virtual", "--for", "1", "--save", "x.txt"], "expected a name ending in"),
    ],
)
def test_bad_words(words, told, capsys):
    assert run(["run", *words]) == 2
    said = capsys.readouterr()
    assert told in said.err and len(said.err.splitlines()) == 1
