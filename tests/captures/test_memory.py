"""Captures stream: what reading and writing hold at once does not grow with the length of the run."""

import tracemalloc

import pytest

from benchsim.captures import open_capture, open_writer
from benchsim.events import Burst, LinkInfo

LINKS = [LinkInfo("bus", "board", 82_500)]


def bursts(count: int):
    for number in range(count):
        start = 720_000 * number
        yield Burst(
            start, start + 165_000, "bus", bool(number % 2), "board", (0x100 | number % 256, number % 251)
        )


def peaks(path, count: int) -> tuple[int, int]:
    """Most bytes held at once while writing and while reading so many bursts."""
    found = []
    tracemalloc.start()
    try:
        with open_writer(path, LINKS) as writer:
            for burst in bursts(count):
                writer.burst(burst)
        found.append(tracemalloc.get_traced_memory()[1])
        capture = open_capture(path)
        events = capture.events()
        tracemalloc.reset_peak()
        before = tracemalloc.get_traced_memory()[0]
        assert sum(len(burst.words) for burst in events) == 2 * count
        found.append(tracemalloc.get_traced_memory()[1] - before)
    finally:
        tracemalloc.stop()
    return found[0], found[1]


@pytest.mark.parametrize("suffix", [".pcapng", ".csv", ".vcd"])
def test_eight_times_the_run_takes_no_more_memory(tmp_path, suffix):
    peaks(tmp_path / f"warm{suffix}", 600)  # caches of word shapes and regular expressions fill once
    short = peaks(tmp_path / f"short{suffix}", 600)
    long = peaks(tmp_path / f"long{suffix}", 4_800)
    assert long[0] < short[0] + 100_000  # a list of the long run's bursts alone would hold over 500,000
    assert long[1] < short[1] + 250_000
