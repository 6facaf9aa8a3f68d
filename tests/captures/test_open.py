"""Opening: the suffix chooses the format, and what cannot be opened is said in one line."""

import os

import pytest

from benchsim.captures import open_capture, open_writer
from benchsim.errors import UsageError
from benchsim.events import LinkInfo

LINKS = [LinkInfo("bus", "board", 82_500)]


@pytest.mark.parametrize("name", ["run.txt", "run", "run.pcap"])
@pytest.mark.parametrize("opened", [open_capture, lambda path: open_writer(path, LINKS)])
def test_unknown_suffix(tmp_path, name, opened):
    (tmp_path / name).write_bytes(b"")
    with pytest.raises(UsageError, match=r"expected a name ending in \.pcapng, \.csv, \.vcd$"):
        opened(tmp_path / name)


def test_suffix_in_capitals(tmp_path):
    open_writer(tmp_path / "RUN.CSV", LINKS).close()
    assert list(open_capture(tmp_path / "RUN.CSV").links) == ["bus"]


@pytest.mark.parametrize("suffix", [".pcapng", ".csv", ".vcd"])
def test_what_is_not_there_or_no_file(tmp_path, suffix):
    missing, folder = tmp_path / f"missing{suffix}", tmp_path / f"folder{suffix}"
    folder.mkdir()
    for path, reason in [(missing, "no such file or directory"), (folder, "is a directory")]:
        with pytest.raises(UsageError) as error:
            open_capture(path)
        assert str(error.value) == f"{path}: {reason}, expected a readable capture"
    for path in [tmp_path / "nowhere" / f"run{suffix}", folder]:
        with pytest.raises(UsageError, match="expected a writable place$"):
            open_writer(path, LINKS)


@pytest.mark.parametrize("suffix", [".pcapng", ".csv", ".vcd"])
def test_no_leave_to_read(tmp_path, suffix, monkeypatch):
    path = tmp_path / f"run{suffix}"
    open_writer(path, LINKS).close()

    def refuse(*_):
        raise PermissionError(13, os.strerror(13))

    monkeypatch.setattr("builtins.open", refuse)  # the superuser may read all, so file modes prove nothing
    with pytest.raises(UsageError, match="permission denied, expected a readable capture$"):
        open_capture(path)


@pytest.mark.parametrize("suffix", [".pcapng", ".csv", ".vcd"])
def test_bytes_at_random_are_refused_without_a_traceback(tmp_path, suffix):
    path = tmp_path / f"run{suffix}"
    for seed in range(50):
        path.write_bytes(bytes((seed * 37 + at * at * 11 + at // 7) & 0xFF for at in range(seed, 400)))
        with pytest.raises(UsageError):
            list(open_capture(path).events())
