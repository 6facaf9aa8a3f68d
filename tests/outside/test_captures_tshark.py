"""pcapng before tshark and editcap (Wireshark 4.0, Debian package tshark): an outside reader and writer."""

import os
import shutil
import subprocess
from pathlib import Path

import pytest

from benchsim.captures import open_capture, open_writer
from benchsim.events import BREAK, FRAMING, Burst, Happening, LinkInfo

DISSECTOR = Path(__file__).parents[2] / "scripts" / "benchsim.lua"
pytestmark = pytest.mark.skipif(
    shutil.which("tshark") is None and "CI" not in os.environ,
    reason="tshark is not installed (package tshark)",
)

LINKS = [LinkInfo("bus", "board", 82_500), LinkInfo("kit", "host", 6_250)]
# Ticks of 1/72 us. 1 day in: 86,400 s and one tick, 13.9 ns, nearest 14.
DAY = 86_400 * 72_000_000 + 1
EVENTS = [
    Burst(0, 165_000, "bus", True, "board", (0x10B, 0x00B)),
    Burst(417_000, 500_220, "bus", False, "changer", (FRAMING | 0x100,), ()),
    Happening(720_000, "machine", "door", {"open": True}),
    Burst(720_000, 733_220, "kit", False, "board", (0x7E, 0x81), (0, 720)),
    Burst(7_200_000, 14_400_000, "bus", True, "board", (BREAK,)),
    Burst(14_400_000, 374_400_000, "bus", True, "board", (BREAK,)),  # 5 s: longer than 32 bits of ns
    Burst(DAY * 7, DAY * 7 + 82_500, "bus", True, "board", (0x130,)),
]


@pytest.fixture
def capture(tmp_path):
    path = tmp_path / "run.pcapng"
    with open_writer(path, LINKS) as writer:
        for event in EVENTS:
            (writer.burst if isinstance(event, Burst) else writer.happening)(event)
    return path


def fields(path, *names: str, options: tuple = ()) -> list[list[str]]:
    command = ["tshark", "-n", *options, "-r", str(path), "-T", "fields", "-E", "separator=|"]
    for name in names:
        command += ["-e", name]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
    assert "Error" not in done.stderr, done.stderr
    return [line.split("|") for line in done.stdout.splitlines()]


def test_tshark_reads_the_same_times_directions_and_payload(capture):
    """By hand: 417,000 ticks are 5,791,666.67 ns; seven times DAY is 604,800 s and 97.2 ns."""
    names = ("frame.time_epoch", "frame.interface_name", "frame.p2p_dir", "frame.comment", "data.data")
    assert fields(capture, *names) == [
        ["0.000000000", "bus", "0", "", "010b00000000000b00000000"],  # p2p_dir: 0 sent, 1 received
        ["0.005791667", "bus", "1", "sender=changer;word_ns=1155833.333", "810000000000"],
        ["0.010000000", "machine", "", "", b'{"data":{"open":true},"kind":"door","seat":"machine"}'.hex()],
        ["0.010000000", "kit", "1", "", "007e00000000008100002710"],  # 720 ticks: 10,000 ns
        ["0.100000000", "bus", "0", "", "400005f5e100"],  # 100,000,000 ns
        ["0.200000000", "bus", "0", "length_ns=5000000000", "4000ffffffff"],
        ["604800.000000097", "bus", "0", "", "013000000000"],
    ]


def test_our_dissector_shows_the_words(capture):
    names = ("link", "out", "sender", "words", "gap_ns", "break_ns", "seat", "kind")
    rows = fields(capture, *[f"benchsim.{name}" for name in names], options=("-X", f"lua_script:{DISSECTOR}"))
    assert rows == [
        ["bus", "1", "", "10B 00B", "0,0", "", "", ""],
        ["bus", "0", "changer", "100!", "0", "", "", ""],
        ["", "", "", "", "", "", "machine", "door"],
        ["kit", "0", "", "7E 81", "0,10000", "", "", ""],
        ["bus", "1", "", "break 100000000 ns", "", "100000000", "", ""],
        ["bus", "1", "", "break 5000000000 ns", "", "5000000000", "", ""],
        ["bus", "1", "", "130", "0", "", "", ""],
    ]


def test_we_read_what_editcap_has_written_again(capture, tmp_path):
    """All times 1.5 s later: 108,000,000 ticks."""
    again = tmp_path / "again.pcapng"
    command = ["editcap", "-t", "1.5", "-F", "pcapng", str(capture), str(again)]
    subprocess.run(command, capture_output=True, timeout=120, check=True)
    later = 108_000_000
    wanted = [
        event._replace(start=event.start + later, end=event.end + later)
        if isinstance(event, Burst)
        else event._replace(time=event.time + later)
        for event in EVENTS
    ]
    copy = open_capture(again)
    assert list(copy.events()) == wanted
    assert list(copy.links.values()) == LINKS and copy.has_machine and not copy.cut
