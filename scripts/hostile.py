#!/usr/bin/env python3
"""Programs that misbehave at a live bench: does its memory stay bounded, does it say what is true?

    scripts/hostile.py [KIND…] [--seconds N] [--json]      a minute each by default

    rubbish       a host that is random bytes, as fast as the port takes them
    flood         a host that sends good RESETs without a pause
    flood-bus     a coin changer that talks all the time
    unread        a host that never reads, and floods
    stopped       the sample host, stopped for two seconds and continued, again and again
    killed        the sample host, killed after two seconds

Told for each: the bench's memory at the middle and at its most, and the verdicts that are not pass or unseen.
"""

import argparse
import contextlib
import json
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
HOST = ROOT / "fixtures" / "sample_host" / "host.py"
RESET = bytes.fromhex("7e010116077e")  # seq 1; check by RFC 1662 §C.2
STRAY = bytes((0x90, 0x00))  # two bytes a word: 100, an ACK that nobody asked for
PORTS = {"flood-bus": "{bus:changer}"}  # of the others: {kit}
BEGIN = 2.0  # seconds until the sample host is stopped or killed


# ---- at the other end


def rubbish(path: str) -> None:
    """The same bytes every time."""
    _pour(path, lambda rng=random.Random(1): rng.randbytes(4096))


def flood(path: str) -> None:
    """Reads what comes, so that the way back stays open."""
    _pour(path, lambda: RESET * 500, reads=True)


def flood_bus(path: str) -> None:
    """Words of a device."""
    _pour(path, lambda: STRAY * 1000, reads=True)


def unread(path: str) -> None:
    """Takes nothing."""
    _pour(path, lambda: RESET * 500)


def _pour(path: str, data, reads: bool = False) -> None:
    fd = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    rest = b""
    while True:
        rest = rest or data()
        try:
            rest = rest[os.write(fd, rest) :]
        except BlockingIOError:
            time.sleep(0.001)
        if reads:
            with contextlib.suppress(BlockingIOError):
                os.read(fd, 65536)


def stopped(path: str) -> None:
    """Two seconds at a time."""
    host = _host(path)
    while host.poll() is None:
        time.sleep(BEGIN)
        host.send_signal(signal.SIGSTOP)
        time.sleep(2)
        host.send_signal(signal.SIGCONT)


def killed(path: str) -> None:
    """And waits to be ended."""
    host = _host(path)
    time.sleep(BEGIN)
    host.kill()
    host.wait()
    time.sleep(1e6)


def _host(path: str) -> subprocess.Popen:
    return subprocess.Popen([sys.executable, HOST, path], stdout=subprocess.DEVNULL)


KINDS = {
    "rubbish": rubbish, "flood": flood, "flood-bus": flood_bus, "unread": unread, "stopped": stopped, "killed": killed,
}  # fmt: skip


# ---- at the bench


def played(kind: str, seconds: float) -> dict:
    """A live bench with it: `middle_mb`, `most_mb`, `lost` verdicts, `status`."""
    command = f"{sys.executable} {__file__} {kind} --at {PORTS.get(kind, '{kit}')}"
    with tempfile.TemporaryFile() as told:
        bench = subprocess.Popen(
            [sys.executable, "-m", "benchsim", "run", "--for", str(seconds), "--json", "--plain", "--exec", command],
            cwd=ROOT, stdout=told, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        sizes: list[float] = []
        while bench.poll() is None:
            with contextlib.suppress(OSError, StopIteration):
                sizes.append(_size(bench.pid))
            time.sleep(0.1)
        told.seek(0)
        document = json.loads(told.read() or b"{}")
    # What judging takes at the end is no growth of the run.
    half = sizes[: max(1, int(len(sizes) * seconds / (seconds + 2) / 2))]
    verdicts = [v for v in document.get("verdicts", ()) if v["outcome"] not in ("pass", "unseen")]
    return {
        "middle_mb": round(max(half), 1),
        "most_mb": round(max(sizes), 1),
        "verdicts": {f"{v['rule']} {v['judged']}": v["outcome"] for v in verdicts},
        "status": bench.returncode,
    }


def _size(pid: int) -> float:
    rows = Path(f"/proc/{pid}/status").read_text().splitlines()
    return int(next(row for row in rows if row.startswith("VmRSS")).split()[1]) / 1000


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("kinds", metavar="KIND", nargs="*", help=f"of {', '.join(KINDS)}; all by default")
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--at", metavar="PATH", help=argparse.SUPPRESS)  # we are the program itself
    wanted = parser.parse_args()
    for kind in wanted.kinds:
        if kind not in KINDS:
            parser.error(f"{kind}: expected one of {', '.join(KINDS)}")
    if wanted.at:
        KINDS[wanted.kinds[0]](wanted.at)
        return
    found = {}
    for kind in wanted.kinds or KINDS:
        found[kind] = played(kind, wanted.seconds)
        if not wanted.json:
            one = found[kind]
            told = ", ".join(f"{rule} {outcome}" for rule, outcome in one["verdicts"].items()) or "nothing wrong"
            print(f"{kind:<10} {one['middle_mb']:6.1f} MB at the middle, {one['most_mb']:6.1f} MB at most   {told}")
    if wanted.json:
        print(json.dumps(found, indent=2))


if __name__ == "__main__":
    main()
