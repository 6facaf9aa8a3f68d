"""The plan for a touch panel, against a panel program of the test's own: reports and their check by hand."""

import json
import sys

import pytest
from crccheck.crc import CrcX25

from benchsim.checks.panel_plan import PLAN
from benchsim.checks.runner import play_virtual
from benchsim.cli import run
from benchsim.settings import Settings

# Touch panel reference: 7E, down, x and y in two bytes each, CRC-16/X-25 with the low byte first, 7E.
REPORT = bytes((0, 0, 0, 0, 0))
IDLE = b"\x7e" + REPORT + CrcX25.calc(REPORT).to_bytes(2, "little") + b"\x7e"
PROGRAM = """
import sys, time
port = open(sys.argv[1], "wb", buffering=0)
while True:
    port.write(bytes.fromhex("{frame}"))
    time.sleep({every})
"""


@pytest.mark.parametrize(("frame", "every", "outcomes"), [
    (IDLE, 0.5, {"pass", "unsure"}),
    (IDLE[:-2] + b"\x00\x7e", 0.5, {"fail"}),
    (b"", 0.5, {"fail"}),  # silent
])  # fmt: skip
def test_a_panel_program(tmp_path, capsys, frame, every, outcomes):
    program = tmp_path / "panel.py"
    program.write_text(PROGRAM.format(frame=frame.hex(), every=every))
    words = ["check", "--test", "panel", "--exec", f"{sys.executable} {program} {{panel}}", "--case", "idle", "--json"]
    status = run(words)
    told = json.loads(capsys.readouterr().out)
    assert told["outcome"] in outcomes and status == {"pass": 0, "fail": 1, "unsure": 3}[told["outcome"]]
    assert {verdict["judged"] for verdict in told["verdicts"]} == {"panel"}


def test_a_person_who_touches_a_real_panel_is_asked_for_it():
    """The simulated panel hangs behind a stage that takes it for a real one."""
    asked = []

    class Person(PLAN.stage):
        def __init__(self, bench, person=None, switch=None):
            super().__init__(bench, self.act, switch)
            self.hand, self.panel = bench.panel, None

        def act(self, what):
            asked.append(what)
            self.hand.press(9, 9)
            self.clock.call_at(self.clock.now() + 7_200_000, self.hand.release)  # 100 ms

    result = play_virtual(Settings(), Settings().book(), PLAN._replace(stage=Person), PLAN.cases["corners"], 1)
    assert asked == [f"Touch the {corner} corner of the panel" for corner in ("top left", "top right", "bottom left", "bottom right")]
    assert not result.notes
    assert {v.rule: v.checked for v in result.verdicts}["PNL-RELEASE"] == 4
