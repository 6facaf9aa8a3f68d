"""A long recording in parts: bounded, each part readable alone, all of them read as the one recording."""

import errno
from pathlib import Path

import pytest

from benchsim.captures import Bound, open_capture, open_parts, open_writer, write_parts
from benchsim.captures.parts import PART
from benchsim.checks.recorded import judge_capture
from benchsim.errors import UsageError
from benchsim.events import Burst, Happening, LinkInfo, ticks
from benchsim.schema import load_book

LINKS = [LinkInfo("kit", "host", 6250)]
CASE = Happening(0, "bench", "case", {"name": "live", "subject": "host"})


def events(count):
    """A word each 10 ms."""
    return [CASE, *(Burst(ticks(n / 100), ticks(n / 100) + 6250, "kit", True, "host", (n & 0xFF,)) for n in range(1, count))]


def written(path, bound, told):
    with write_parts(path, LINKS, bound) as writer:
        for event in told:
            (writer.burst if isinstance(event, Burst) else writer.happening)(event)
    return writer


@pytest.mark.parametrize("suffix", [".pcapng", ".csv", ".vcd"])
def test_the_disk_is_bounded_and_the_newest_is_kept(tmp_path, suffix):
    bound = Bound(4096, 3)
    writer = written(tmp_path / f"a{suffix}", bound, events(3000))
    files = sorted(tmp_path.iterdir())
    assert sorted(writer.parts) == files and len(files) == 3 and writer.dropped
    assert all(4096 <= file.stat().st_size < 5000 for file in files[:-1])
    assert writer.size == sum(file.stat().st_size for file in files) < 15_000
    read = [event for event in open_parts(writer.parts).events() if isinstance(event, Burst)]
    assert read[-1].words == (2999 & 0xFF,) and read[0].start >= writer.dropped_until > 0
    assert [burst.words[0] for burst in read] == [n & 0xFF for n in range(3000 - len(read), 3000)]


def test_parts_read_together_are_what_one_file_holds(tmp_path):
    told = events(500)
    writer = written(tmp_path / "a.pcapng", Bound(4096, 100), told)
    assert len(writer.parts) > 3 and not writer.dropped
    with open_writer(tmp_path / "whole.pcapng", LINKS) as whole:
        for event in told:
            (whole.burst if isinstance(event, Burst) else whole.happening)(event)
    parts, one = open_parts(writer.parts[::-1]), open_capture(tmp_path / "whole.pcapng")
    assert list(parts.events()) == list(one.events()) == told
    assert list(parts.happenings()) == [CASE] and parts.end == one.end and not parts.cut and not parts.notes


def test_each_part_tells_what_was_recorded(tmp_path):
    writer = written(tmp_path / "a.pcapng", Bound(4096, 3), events(1000))
    first = next(open_capture(writer.parts[1]).events())
    assert first.kind == PART and first.data["subject"] == "host" and first.time > ticks(1)
    for files in (writer.parts, writer.parts[1:2]):
        (result,) = judge_capture(open_parts(files), load_book())
        assert (result.name, result.subject) == ("live", "host") and result.end > ticks(1)


def test_a_short_recording_is_one_file_of_the_name_that_was_given(tmp_path):
    (tmp_path / "a-0002.pcapng").write_bytes(b"of an earlier run")
    assert written(tmp_path / "a.pcapng", Bound(4096, 2), events(5)).parts == [tmp_path / "a.pcapng"]
    assert [path.name for path in tmp_path.iterdir()] == ["a.pcapng"]


def test_a_full_disk_ends_the_recording_only(tmp_path):
    def small_disk(path, links):
        writer = open_writer(path, links)
        write = writer.burst

        def burst(event):
            if event.start > ticks(0.2):
                raise OSError(errno.ENOSPC, "No space left on device")
            write(event)

        writer.burst = burst
        return writer

    from benchsim.captures.parts import PartsWriter

    with PartsWriter(tmp_path / "a.pcapng", LINKS, Bound(4096, 2), small_disk) as writer:
        for event in events(50):
            (writer.burst if isinstance(event, Burst) else writer.happening)(event)
    assert writer.broken == "no space left on device"
    assert [e for e in open_capture(tmp_path / "a.pcapng").events() if isinstance(e, Burst)][-1].start == ticks(0.2)


def test_a_part_that_cannot_be_begun_ends_the_recording_only(tmp_path):
    folder = tmp_path / "goes"
    folder.mkdir()
    with write_parts(folder / "a.pcapng", LINKS, Bound(4096, 2)) as writer:
        told = events(200)
        for event in told[:20]:
            (writer.burst if isinstance(event, Burst) else writer.happening)(event)
        folder.rename(tmp_path / "gone")
        for event in told[20:]:
            writer.burst(event)
    assert "expected a writable place" in writer.broken


def test_files_that_are_no_parts_of_one_recording(tmp_path):
    written(tmp_path / "a.pcapng", Bound(4096, 2), events(50))
    written(tmp_path / "b.pcapng", Bound(4096, 2), events(50))
    with pytest.raises(UsageError, match=r"b\.pcapng: begins before an earlier part ends|a\.pcapng: begins before"):
        list(open_parts([tmp_path / "a.pcapng", tmp_path / "b.pcapng"]).events())
    with open_writer(tmp_path / "c.pcapng", [LinkInfo("bus", "board", 82_500)]):
        pass
    with pytest.raises(UsageError, match="other links than in"):
        open_parts([Path(tmp_path / "a.pcapng"), Path(tmp_path / "c.pcapng")])
