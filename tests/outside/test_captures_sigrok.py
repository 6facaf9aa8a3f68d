"""VCD before sigrok-cli 0.7 (Debian package sigrok-cli): an outside UART decoder and an outside writer."""

import os
import random
import re
import shutil
import subprocess

import pytest

from benchsim.captures import open_capture, open_writer
from benchsim.events import BREAK, FRAMING, Burst, LinkInfo

pytestmark = pytest.mark.skipif(
    shutil.which("sigrok-cli") is None and "CI" not in os.environ,
    reason="sigrok-cli is not installed (package sigrok-cli)",
)

LINKS = [LinkInfo("bus", "board", 82_500), LinkInfo("kit", "host", 6_250)]
CHANNELS = {
    ("bus", True): "bus_out",
    ("bus", False): "bus_in",
    ("kit", True): "kit_out",
    ("kit", False): "kit_in",
}


def traffic() -> list[Burst]:
    """Words of every shape on four conductors, with gaps, at once and one after another, slow clocks too."""
    rng, events = random.Random(11), []
    for name, nominal, bits in [("bus", 82_500, 9), ("kit", 6_250, 8)]:
        for out in (True, False):
            now = 72_000 if out else 75_000  # a decoder needs to have seen the idle line
            for _ in range(60):
                words = tuple(rng.randrange(1 << bits) for _ in range(rng.randrange(1, 9)))
                gaps = (0, *(rng.randrange(40_000) for _ in words[1:])) if len(words) > 1 else ()
                end = (
                    now
                    + len(words) * (nominal + rng.choice([0, 0, nominal // 100, -nominal // 200]))
                    + sum(gaps)
                )
                events.append(
                    Burst(now, end, name, out, "board" if (name == "bus") == out else "", words, gaps)
                )
                now = end + rng.randrange(1_000, 400_000)
    return sorted(events, key=lambda burst: burst.start)


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    path = tmp_path_factory.mktemp("vcd") / "run.vcd"
    with open_writer(path, LINKS) as writer:
        for burst in traffic():
            writer.burst(burst)
    return path


def decoded(path, link: str, baud: int, bits: int) -> dict[tuple, list[tuple[int, int]]]:
    """(start in us, word) by conductor, as sigrok decodes it."""
    channels = f"uart:baudrate={baud}:data_bits={bits}:rx={link}_out:tx={link}_in"
    command = [
        "sigrok-cli",
        "-I",
        "vcd",
        "-i",
        str(path),
        "--protocol-decoder-samplenum",
        "-P",
        channels,
        "-A",
    ]
    found = {}
    for way, out in [("rx", True), ("tx", False)]:
        kinds = f"uart={way}-data:{way}-start:{way}-warnings"  # a warning is no number: it fails the test
        text = subprocess.run(
            [*command, kinds], capture_output=True, text=True, timeout=300, check=True
        ).stdout
        lines = [re.fullmatch(r"(\d+)-\d+ uart-1: (.*)", line).groups() for line in text.splitlines()]
        starts = [int(at) for at, what in lines if what == "Start bit"]
        words = [int(what, 16) for _, what in lines if what != "Start bit"]
        found[link, out] = list(zip(starts, words, strict=True))
    return found


@pytest.mark.parametrize("link, baud, bits", [("bus", 9600, 9), ("kit", 115_200, 8)])
def test_sigrok_decodes_the_same_words_at_the_same_times(recorded, link, baud, bits):
    found = decoded(recorded, link, baud, bits)
    for key, heard in found.items():
        sent = [
            (start, word)
            for burst in traffic()
            if (burst.link, burst.out) == key
            for start, word in zip(burst.word_starts(), burst.words, strict=True)
        ]
        assert [word for _, word in heard] == [word for _, word in sent]
        assert len(sent) > 150
        for (start, _), (true_start, _) in zip(heard, sent, strict=True):
            assert abs(start * 72 - true_start) <= 36 + 1  # half a microsecond; sigrok counts samples of 1 us


def test_sigrok_sees_the_break_and_the_bad_stop_bit(tmp_path):
    with open_writer(tmp_path / "run.vcd", LINKS[:1]) as writer:
        writer.burst(Burst(7_200, 89_700, "bus", True, "board", (FRAMING | 0x055,)))
        writer.burst(Burst(720_000, 7_920_000, "bus", True, "board", (BREAK,)))
        writer.burst(Burst(14_400_000, 14_482_500, "bus", True, "board", (0x10B,)))
    command = ["sigrok-cli", "-I", "vcd", "-i", str(tmp_path / "run.vcd"), "--protocol-decoder-samplenum"]
    command += ["-P", "uart:baudrate=9600:data_bits=9:rx=bus_out", "-A", "uart=rx-warnings:rx-break:rx-data"]
    text = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True).stdout
    lines = [line.split(" uart-1: ") for line in text.splitlines()]
    assert ["055", "10B"] == [what for _, what in lines if what in ("055", "10B")]
    assert "Frame error" in [what for _, what in lines]
    assert ["10000-110000"] == [at for at, what in lines if what == "Break condition"]


def test_we_read_what_sigrok_has_written_again(recorded, tmp_path):
    """sigrok's own VCD: other codes, other time scale, all changes of a time on one line."""
    again = tmp_path / "again.vcd"
    subprocess.run(
        ["sigrok-cli", "-I", "vcd", "-i", str(recorded), "-O", "vcd", "-o", str(again)],
        capture_output=True,
        timeout=300,
        check=True,
    )
    assert b"link=" not in again.read_bytes()
    ours, theirs = open_capture(recorded), open_capture(again)
    words = [(burst.start, burst.link, burst.out, burst.words) for burst in theirs.events()]
    assert words == [(burst.start, burst.link, burst.out, burst.words) for burst in ours.events()]
    assert len(words) > 600 and not theirs.cut
