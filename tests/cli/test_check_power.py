"""The supply of a real subject, switched by a command: cases that need it are played with it, and left out without."""

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from benchsim.cli import run

ROOT = Path(__file__).parents[2]
SWITCH = """
import os, pathlib, signal, subprocess, sys
folder, state = pathlib.Path(sys.argv[1]), sys.argv[2]
with open(folder / "log", "a") as log:
    print(state, file=log)
pid = folder / "pid"
if state == "on":
    words = [sys.executable, sys.argv[3], str(folder / "kit"), str(folder / "panel")]
    quiet = {"stdin": subprocess.DEVNULL, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    pid.write_text(str(subprocess.Popen(words, start_new_session=True, **quiet).pid))
else:
    os.kill(int(pid.read_text()), signal.SIGKILL)
"""


@pytest.fixture
def switch(tmp_path):
    """A script that starts and ends the sample host, as a relay would a computer. Ended with the test."""
    script = tmp_path / "switch.py"
    script.write_text(SWITCH)
    yield f"{sys.executable} {script} {tmp_path} {{state}} {ROOT / 'fixtures/sample_host/host.py'}"
    if (tmp_path / "pid").exists():
        try:
            os.kill(int((tmp_path / "pid").read_text()), signal.SIGKILL)
        except ProcessLookupError:
            pass


def check(folder, *words):
    ports = ["--port", f"kit=pty:{folder}/kit", "--port", f"panel=pty:{folder}/panel"]
    done = subprocess.run(
        [sys.executable, "-m", "benchsim", "check", "--test", "host", *ports, "--case", "host-power-cut", "--json", *words],
        cwd=ROOT, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode in (0, 3), done.stderr[-2000:]
    return {v["rule"]: v for v in json.loads(done.stdout)["verdicts"]}, done.stderr


def test_a_host_that_loses_its_supply(tmp_path, switch):
    found, said = check(tmp_path, "--power", switch)
    assert (tmp_path / "log").read_text().split() == ["on", "off", "on"], said
    assert "not put to the test" not in said
    assert found["KIT-START"]["outcome"] == "pass" and found["KIT-START"]["checked"] >= 2
    assert found["SYS-PRESENT"]["outcome"] == "pass"


def test_without_a_switch_the_case_is_left_out(tmp_path):
    found, _ = check(tmp_path)
    assert {v["outcome"] for v in found.values()} == {"unseen"}
    assert all('--power "CMD {state}" does it' in v["why"] for v in found.values())


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["--power", "true {state}"], "expected --port or --exec with it"),
        (["--port", "kit=pty", "--power", "true"], "expected {state} in it, which becomes on or off"),
        (["--port", "kit=pty", "--power", "no-such-relay {state}"], "--power: no program 'no-such-relay' here"),
        (["--port", "kit=pty", "--case", "host-power-cut", "--power", "false {state}"], "the power command ended with status 1"),
    ],
)
def test_bad_words(words, told, capsys):
    assert run(["check", "--test", "host", *words]) == 2
    said = capsys.readouterr()
    assert told in said.err and len(said.err.splitlines()) == 1
