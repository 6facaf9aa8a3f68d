"""Mixed benches, two of them on one machine at once: a real board reached on two ports, and two real devices behind one
adapter. Only rules without times are looked at: a busy machine may make a program late.
"""

import json
import os
import select
import subprocess
import sys
import threading
import tty
from pathlib import Path

ROOT = Path(__file__).parents[2]
BOARD = "python3 fixtures/sample_board/board.py {kit} --bus {bus}"
DEVICES = ("changer", "validator")
SECONDS = "5"


class Hub:
    """One adapter with several devices on its bus: all hear the master, each is heard. Stands in for a harness."""

    def __init__(self, path):
        self.path, self.running, self._stop = path, [], threading.Event()
        self._thread = threading.Thread(target=self._work)
        self._thread.start()

    def _work(self):
        while not self.path.exists():
            if self._stop.wait(0.02):
                return
        bus = os.open(self.path, os.O_RDWR | os.O_NOCTTY)
        ours = []
        for name in DEVICES:
            mine, theirs = os.openpty()
            for fd in (mine, theirs):
                tty.setraw(fd)
            script = ROOT / "fixtures" / "sample_devices" / f"{name}.py"
            command = [sys.executable, str(script), os.ttyname(theirs)]
            self.running.append(subprocess.Popen(command, stdin=subprocess.DEVNULL))
            ours.append((mine, theirs))
        ends = [mine for mine, _ in ours]
        while not self._stop.is_set():
            for fd in select.select([bus, *ends], [], [], 0.05)[0]:
                try:
                    data = os.read(fd, 4096)
                except OSError:  # the bench has ended
                    return
                for other in ends if fd == bus else [bus]:
                    os.write(other, data)

    def close(self):
        self._stop.set()
        self._thread.join()
        for each in self.running:
            each.kill()
            each.wait()


def bench(*words):
    return subprocess.Popen(
        [sys.executable, "-m", "benchsim", "run", "--for", SECONDS, "--json", *words],
        cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip


def judged(running):
    out, err = running.communicate(timeout=120)
    assert running.returncode in (0, 1, 3), err[-3000:]
    return {(v["rule"], v["judged"]): v for v in json.loads(out)["verdicts"]}, err


def test_two_benches_side_by_side(tmp_path):
    path = tmp_path / "bus"
    hub = Hub(path)
    try:
        boards = bench("--real", "board", "--exec", BOARD)
        devices = bench("--port", f"bus:changer+validator=pair-pty:{path}")
        found, said = judged(boards)
        assert {seat for _, seat in found} == {"board"}
        for rule in ("KIT-FRAME", "KIT-SHAPE", "KIT-STATUS", "BUS-MODE-OUT", "BUS-SUM-OUT", "BUS-UNDERSTOOD", "SYS-PRESENT"):
            assert found[rule, "board"]["outcome"] == "pass", said[-3000:]
        found, said = judged(devices)
        assert {seat for _, seat in found} == set(DEVICES)
        for rule in ("BUS-MODE-IN", "BUS-SUM-IN", "BUS-SHAPE", "BUS-JUST-RESET"):
            for seat in DEVICES:
                assert found[rule, seat]["outcome"] == "pass", (rule, seat, said[-3000:])
                assert found[rule, seat]["checked"]
    finally:
        hub.close()


def test_the_same_path_twice_is_told_in_one_line(tmp_path):
    (tmp_path / "kit").symlink_to(os.devnull)
    done = subprocess.run(
        [sys.executable, "-m", "benchsim", "run", "--for", "1", "--port", f"kit=pty:{tmp_path}/kit"],
        cwd=ROOT, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip
    assert done.returncode == 2 and "exists already" in done.stderr and len(done.stderr.splitlines()) == 1
