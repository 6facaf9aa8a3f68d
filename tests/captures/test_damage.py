"""Damaged captures: whatever bytes stand in a file, it is read or refused in one line with its place."""

from itertools import count
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchsim.captures import open_capture, open_writer
from benchsim.errors import UsageError
from benchsim.events import BREAK, Burst, Happening, LinkInfo

LINKS = [LinkInfo("bus", "board", 82_500), LinkInfo("kit", "host", 6_250)]
EVENTS = [
    Burst(72_000, 237_000, "bus", True, "board", (0x10B, 0x0B)),
    Burst(300_000, 312_600, "kit", True, "host", (0x7E, 0x7E), (0, 100)),
    Burst(453_000, 535_500, "bus", False, "changer", (0x100,)),
    Happening(540_000, "machine", "door", {"open": True}),
    Burst(720_000, 7_920_000, "bus", True, "board", (BREAK,)),
    Burst(8_000_000, 8_165_720, "bus", True, "board", (0x130, 0x30), (0, 720)),
]
FEW = settings(
    max_examples=150,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
NUMBERS = count()


def whole(folder: Path, suffix: str) -> bytes:
    path = folder / f"whole{suffix}"
    with open_writer(path, LINKS) as writer:
        for event in EVENTS:
            (writer.burst if isinstance(event, Burst) else writer.happening)(event)
    return path.read_bytes()


@st.composite
def damages(draw) -> list[tuple[float, str, bytes]]:
    """(where, as a part of the length; what is done; with which bytes), a few."""
    places = st.floats(0, 1, exclude_max=True)
    bits = st.one_of(st.binary(min_size=1, max_size=6), st.sampled_from([b"0", b"9", b"#", b"\n", b"-", b",", b"x", b" "]))
    return draw(st.lists(st.tuples(places, st.sampled_from(["put", "insert", "drop"]), bits), min_size=1, max_size=4))


def damaged(data: bytes, damage: list[tuple[float, str, bytes]]) -> bytes:
    for where, how, bits in damage:
        at = int(where * len(data))
        rest = data[at if how == "insert" else at + len(bits) :]
        data = data[:at] + (b"" if how == "drop" else bits) + rest
    return data


@pytest.mark.parametrize("suffix", [".pcapng", ".csv", ".vcd"])
def test_read_or_refused(tmp_path, suffix):
    data = whole(tmp_path, suffix)
    refused = []

    @FEW
    @given(damages())
    def hit(damage):
        path = tmp_path / f"hit{next(NUMBERS)}{suffix}"
        path.write_bytes(damaged(data, damage))
        try:
            capture = open_capture(path)
            starts = [event[0] for event in capture.events()]
            assert starts == sorted(starts) and capture.end >= max(starts, default=0)
        except UsageError as error:
            text = str(error)
            assert text.startswith(f"{path}:") and "\n" not in text and "expected" in text, text
            refused.append(text)
        finally:
            path.unlink()

    hit()
    assert len(refused) > 20  # most damage is found


@pytest.mark.parametrize(
    "suffix, old, new, place",
    [
        # Two rows, two packets or two times changed over: time goes backward.
        (".csv", b"1000.000,", b"9000.000,", ":6: "),
        (".csv", b"0x0B,1", b"oops,1", ":5: "),
        (".csv", b",value,", b",wert,", ":4: "),
        (".vcd", b"#1104", b"#110", ":"),
        (".vcd", b"$timescale 1 us", b"$timescale 1 jiffy", ":3: "),
    ],
)
def test_what_is_wrong_is_named_with_its_line(tmp_path, suffix, old, new, place):
    data = whole(tmp_path, suffix)
    assert old in data
    path = tmp_path / f"bad{suffix}"
    path.write_bytes(data.replace(old, new, 1))
    with pytest.raises(UsageError) as error:
        list(open_capture(path).events())
    assert str(error.value).startswith(f"{path}{place}") and "expected" in str(error.value)


def test_a_packet_earlier_than_the_one_before_is_named_with_its_offset(tmp_path):
    """The second packet of the bus (300,000 ticks: 4,166,667 ns) put at 0."""
    data = whole(tmp_path, ".pcapng")
    stamp = (4_166_667).to_bytes(4, "little")
    at = data.index(stamp)
    path = tmp_path / "bad.pcapng"
    path.write_bytes(data[:at] + bytes(4) + data[at + 4 :])
    with pytest.raises(UsageError, match=f":offset {at - 16}: packet earlier than the one before it, expected"):
        list(open_capture(path).events())
