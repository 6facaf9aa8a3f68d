"""What goes into a capture comes out of it, in every format as far as the format holds it."""

from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from benchsim.captures import open_capture, open_writer
from benchsim.events import BREAK, FRAMING, Burst, Happening, LinkInfo

# Nominal word lengths: MDB/ICP 4.3 §2 (11 bits at 9600 baud), EVA DTS 6.1 (10 bits at 9600 baud),
# kit link reference (10 bits at 115,200 baud), in ticks of 1/72 us.
LINKS = [
    LinkInfo("bus", "board", 82_500),
    LinkInfo("kit", "host", 6_250),
    LinkInfo("panel", "host", 75_000),
    LinkInfo(
        "audit", "auditor", 75_000, uncertainty=72, edges=False, chunks=True, note="use edges; they tell a=b"
    ),
]
TIMELESS = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])  # no seconds are judged
MONTHS = 72_000_000 * 86_400 * 200  # ticks


@st.composite
def bursts(draw, link: LinkInfo, start: int, slow: int = 0) -> Burst:
    """One burst of a link. `slow`: how much longer than nominal a word may be, ticks."""
    out = draw(st.booleans()) and link.name != "panel"
    sender = link.out if out else {"kit": "board", "panel": "panel", "audit": "board"}.get(link.name)
    sender = sender or draw(st.sampled_from(["changer", "validator", ""]))
    if draw(st.integers(0, 9)) == 0:
        length = draw(st.integers(2 * link.word + 1_000, 72_000_000 * 9))
        return Burst(start, start + length, link.name, out, sender, (BREAK,))
    data = st.integers(0, 0x1FF if link.name == "bus" else 0xFF)
    words = draw(
        st.lists(st.builds(int.__or__, data, st.sampled_from([0, 0, 0, FRAMING])), min_size=1, max_size=9)
    )
    gaps = [0] + draw(st.lists(st.integers(0, 72_000), min_size=len(words) - 1, max_size=len(words) - 1))
    gaps = gaps if any(gaps) else []
    end = start + len(words) * link.word + sum(gaps) + draw(st.integers(0, slow * len(words)))
    return Burst(start, end, link.name, out, sender, tuple(words), tuple(gaps))


@st.composite
def runs(draw, slow: int = 0, apart: bool = False) -> list[Burst | Happening]:
    """Events in order. `apart`: no sender begins on a conductor that another still holds."""
    json = st.recursive(
        st.none() | st.integers() | st.text(max_size=5), lambda x: st.lists(x, max_size=2), max_leaves=3
    )
    now, events = draw(st.sampled_from([0, 1, 71, MONTHS])), []
    free: dict[tuple[str, bool], int] = {}
    for _ in range(draw(st.integers(0, 8))):
        now += draw(st.integers(0, 720_000))
        if draw(st.integers(0, 4)) == 0:
            data = draw(st.dictionaries(st.text(max_size=5), json, max_size=3))
            events.append(Happening(now, "board", draw(st.sampled_from(["coil", "door", "käse"])), data))
            continue
        burst = draw(bursts(draw(st.sampled_from(LINKS)), now, slow))
        if apart and burst.start < free.get((burst.link, burst.out), 0):
            continue
        free[burst.link, burst.out] = burst.end + (
            7_500 if burst.is_break else 144
        )  # a break ends in no stop bit
        events.append(burst)
    return events


def written(events: list, suffix: str, folder: str) -> Path:
    path = Path(folder) / f"run{suffix}"
    with open_writer(path, LINKS) as writer:
        for event in events:
            (writer.burst if isinstance(event, Burst) else writer.happening)(event)
    return path


def words(events: list) -> list[tuple]:
    """(start, length, link, out, sender, word) of every word, in the order a reader keeps."""
    found = []
    for burst in events:
        if isinstance(burst, Burst) and burst.is_break:
            found.append((burst.start, burst.end - burst.start, *burst[2:5], BREAK))
        elif isinstance(burst, Burst):
            length = burst.word_ticks()
            found += [(at, length, *burst[2:5], word) for at, word in zip(burst.word_starts(), burst.words)]
    return sorted(found, key=lambda word: word[0])


@TIMELESS
@given(runs(slow=2_000))
def test_pcapng_gives_back_every_event_exactly(events):
    with TemporaryDirectory() as folder:
        capture = open_capture(written(events, ".pcapng", folder))
        assert capture.links == {link.name: link for link in LINKS}
        assert list(capture.events()) == events
        assert (capture.has_machine, capture.cut, capture.notes) == (True, False, [])
        ends = [event.end if isinstance(event, Burst) else event.time for event in events]
        assert capture.end == max(ends, default=0)


@TIMELESS
@given(runs(slow=2_000))
def test_csv_gives_back_every_word_at_its_tick(events):
    with TemporaryDirectory() as folder:
        capture = open_capture(written(events, ".csv", folder))
        nominal = {link.name: link.word for link in LINKS}
        wanted = [
            (start, length if word == BREAK else nominal[link], link, out, sender, word)
            for start, length, link, out, sender, word in words(events)
        ]
        got = words(capture.events())
        assert sorted(got) == sorted(wanted)
        assert [word[0] for word in got] == [word[0] for word in wanted]
        assert (capture.has_machine, capture.cut, capture.notes) == (False, False, [])
        assert capture.links["audit"].chunks and not capture.links["kit"].chunks


@TIMELESS
@given(runs(apart=True))
def test_vcd_gives_back_every_word_within_its_doubt(events):
    with TemporaryDirectory() as folder:
        capture = open_capture(written(events, ".vcd", folder))
        doubt = 36  # ticks: half of the writer's time scale of 1 us
        wanted, got = words(events), words(capture.events())
        tap = [(*word[2:4], "" if word[2] == "bus" and not word[3] else word[4], word[5]) for word in wanted]
        key = lambda pair: (pair[0][:2], pair[1])  # noqa: E731
        by_wire = sorted(zip(tap, [word[:2] for word in wanted]), key=key)
        heard = sorted(zip([word[2:] for word in got], [word[:2] for word in got]), key=key)
        assert [word for word, _ in heard] == [word for word, _ in by_wire]
        for (_, (start, length)), (_, (true_start, true_length)) in zip(heard, by_wire):
            assert abs(start - true_start) <= doubt
            assert abs(length - true_length) <= 2 * doubt
        assert [word[0] for word in got] == sorted(word[0] for word in got)
        assert capture.cut is False and capture.notes == []
        assert capture.links["bus"] == LINKS[0]._replace(
            uncertainty=72 + 159,  # two edges, and the end of a word of 11 bits measured over 5: 72 x 11 / 5
            note=capture.links["bus"].note,
        )
        assert capture.links["audit"].chunks and not capture.links["audit"].edges


@pytest.mark.parametrize("suffix", [".pcapng", ".csv", ".vcd"])
def test_the_same_events_give_the_same_bytes(suffix, tmp_path):
    events = [
        Burst(0, 165_000, "bus", True, "board", (0x10B, 0x0B)),
        Burst(1_000, 7_250, "kit", True, "host", (0x7E,)),
        Happening(2_000, "board", "coil", {"row": 1, "column": 2}),
        Burst(200_000, 282_500, "bus", False, "changer", (0x100,)),
    ]
    (tmp_path / "a").mkdir(), (tmp_path / "b").mkdir()
    one = written(events, suffix, tmp_path / "a").read_bytes()
    two = written(events, suffix, tmp_path / "b").read_bytes()
    assert one == two and len(one) > 100


@pytest.mark.parametrize("suffix", [".pcapng", ".csv", ".vcd"])
def test_an_event_out_of_order_is_refused(suffix, tmp_path):
    with open_writer(tmp_path / f"run{suffix}", LINKS) as writer:
        writer.burst(Burst(500, 83_000, "bus", True, "board", (0x10B,)))
        with pytest.raises(ValueError, match="after one at tick 500"):
            writer.burst(Burst(499, 82_999, "bus", True, "board", (0x10B,)))


@pytest.mark.parametrize("suffix", [".pcapng", ".csv", ".vcd"])
def test_a_capture_can_be_read_twice(suffix, tmp_path):
    path = written([Burst(0, 165_000, "bus", True, "board", (0x10B, 0x0B))], suffix, tmp_path)
    path.write_bytes(path.read_bytes() + b"\n\n")  # of pcapng an unfinished block
    capture = open_capture(path)
    first = list(capture.events()), capture.end, list(capture.notes)
    assert (list(capture.events()), capture.end, capture.notes) == first
    assert [word for burst in first[0] for word in burst.words] == [0x10B, 0x0B]
