"""The same cases over pseudo-terminals, wires of socat (Debian package socat) and pyserial's side of a server for RFC 2217,
with sample programs at the other end: the same verdicts. `scripts/wires.py` plays whole plans.

A busy computer may leave verdicts unsure, it may put a rule to the test that had no occasion on another wire, and it
may make the changer itself late (BUS-ANSWER), which nobody can always tell from a slow device; no other rule may fail.
"""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
WIRES = {"pty", "socat", "rfc2217", "tcp"}

pytestmark = pytest.mark.skipif(
    shutil.which("socat") is None and "CI" not in os.environ, reason="socat is not installed (package socat)"
)


def played(subject, *cases):
    """{wire: {"case rule seat": outcome}}, what differs, and what failed and why. Four benches
    at once, with their programs and relays, would be too busy a computer.
    """
    chosen = [word for case in cases for word in ("--case", case)]
    done = subprocess.run(
        [sys.executable, ROOT / "scripts" / "wires.py", subject, *chosen, "--at-once", "2", "--json"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode in (0, 1), done.stderr[-2000:]
    document = json.loads(done.stdout)[subject]
    assert set(document["verdicts"]) == WIRES
    return document["verdicts"], document["differences"], document["failed"]


def exactly(verdicts, keys, outcome):
    return {wire: {key: outcomes[key] for key in keys} for wire, outcomes in verdicts.items()} == {
        wire: dict.fromkeys(keys, outcome) for wire in WIRES
    }


def test_the_sample_host():
    """No times are in the rules that are looked at alone."""
    verdicts, differences, failed = played("host", "start-up", "sale-coin")
    assert not failed
    exact = [f"start-up {rule} host" for rule in ("KIT-FRAME", "KIT-SEQ", "KIT-START", "KIT-PRICE-WHOLE", "KIT-SHAPE")]
    exact += [f"sale-coin {rule} host" for rule in ("KIT-FRAME", "KIT-SEQ", "KIT-SALE-STATE")]
    assert exactly(verdicts, exact, "pass"), differences


def test_a_wrong_host():
    """It skips numbers: no answer on any wire is right after that."""
    verdicts, differences, _ = played("wrong-host", "start-up")
    assert exactly(verdicts, ["start-up KIT-SEQ host"], "fail"), differences


def test_the_sample_changer():
    verdicts, differences, failed = played("changer", "polling")
    assert all(each.startswith("polling BUS-ANSWER changer") for each in failed), failed
    exact = [f"polling {rule} changer" for rule in ("BUS-MODE-IN", "BUS-SUM-IN", "BUS-SHAPE", "SYS-PRESENT")]
    assert exactly(verdicts, exact, "pass"), differences
