"""A capture cut short (power cut, kill): whole things are read, the rest is told, a cut header is refused."""

import random

import pytest

from benchsim.captures import open_capture, open_writer
from benchsim.errors import UsageError
from benchsim.events import BREAK, FRAMING, Burst, Happening, LinkInfo

LINKS = [LinkInfo("bus", "board", 82_500), LinkInfo("kit", "host", 6_250)]


def small_run() -> list[Burst | Happening]:
    """Some 60 bursts with gaps, breaks, framing errors and two links that overlap."""
    rng, now, events = random.Random(7), 0, []
    for number in range(30):
        now += 40 * 82_500
        words = tuple(
            rng.randrange(0x200) | FRAMING * (rng.random() < 0.1) for _ in range(rng.randrange(1, 5))
        )
        gaps = (0, *(rng.randrange(1, 9_000) for _ in words[1:])) if len(words) > 1 else ()
        out = bool(number % 2)
        end = now + 82_500 * len(words) + sum(gaps)
        events.append(Burst(now, end, "bus", out, "board" if out else "changer", words, gaps))
        events.append(Burst(now + 100, now + 12_600, "kit", True, "host", (0x7E, number)))
        if number % 10 == 9:
            events.append(Happening(now + 200, "board", "coil", {"row": number}))
            events.append(Burst(now + 500_000, now + 7_700_000, "bus", True, "board", (BREAK,)))
            now += 9_000_000
    return events


def write(path) -> bytes:
    with open_writer(path, LINKS) as writer:
        for event in small_run():
            (writer.burst if isinstance(event, Burst) else writer.happening)(event)
    return path.read_bytes()


@pytest.mark.parametrize("suffix", [".pcapng", ".csv", ".vcd"])
def test_cut_at_each_of_the_last_2000_bytes(suffix, tmp_path):
    whole = tmp_path / f"whole{suffix}"
    data = write(whole)
    events = list(open_capture(whole).events())
    cut = tmp_path / f"cut{suffix}"
    previous = len(events)
    assert len(data) > 3_000
    for size in range(len(data) - 1, len(data) - 2_001, -1):
        cut.write_bytes(data[:size])
        capture = open_capture(cut)
        found = list(capture.events())
        for heard, all_of_it in zip(conductors(found), conductors(events), strict=True):
            assert heard == all_of_it[: len(heard)], size
        assert len(found) <= previous, size
        previous = len(found)
        assert capture.cut == any(note.startswith("cut at the end: ") for note in capture.notes)
        assert capture.end <= events[-1][0] + 7_300_000
    assert len(events) - 80 < previous < len(events) - 5  # a word a row, of some 29 bytes, at the least


def conductors(events: list) -> list[list]:
    """(start, words) or happenings, by conductor: in a VCD a cut word on one does not undo the others.

    Ends are left out: that of the last word of a cut VCD is the nominal one, not where the next word begins.
    """
    bus_out, bus_in, kit_out, machine = [], [], [], []
    for event in events:
        if isinstance(event, Happening):
            machine.append(event)
        elif event.link == "kit":
            kit_out.append((event.start, event.words))
        else:
            (bus_out if event.out else bus_in).append((event.start, event.words))
    return [bus_out, bus_in, kit_out, machine]


def test_pcapng_cut_inside_a_packet_says_so(tmp_path):
    path = tmp_path / "run.pcapng"
    data = write(path)
    path.write_bytes(data[:-5])
    capture = open_capture(path)
    assert list(capture.events()) == small_run()[:-1]
    assert capture.cut
    assert capture.notes == [
        f"cut at the end: {len(data) - 5 - capture_offset(data)} bytes of an unfinished block "
        f"at offset {capture_offset(data)} dropped"
    ]


def capture_offset(data: bytes) -> int:
    """Where the last block begins: its length stands in the last four bytes."""
    return len(data) - int.from_bytes(data[-4:], "little")


def test_pcapng_space_that_was_never_written_counts_as_cut(tmp_path):
    path = tmp_path / "run.pcapng"
    path.write_bytes(write(path) + bytes(4096))
    capture = open_capture(path)
    assert list(capture.events()) == small_run()
    assert capture.cut and "4096 bytes" in capture.notes[0]


@pytest.mark.parametrize(
    "suffix, header", [(".pcapng", b"machine"), (".csv", b"value,mode"), (".vcd", b"$enddefinitions $end")]
)
def test_a_header_cut_anywhere_is_refused(suffix, header, tmp_path):
    path = tmp_path / f"run{suffix}"
    data = write(path)
    for size in range(data.index(header) + len(header)):
        path.write_bytes(data[:size])
        with pytest.raises(UsageError) as error:
            open_capture(path)
        assert str(error.value).startswith(f"{path}:") and "\n" not in str(error.value), size
