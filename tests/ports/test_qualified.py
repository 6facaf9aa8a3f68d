"""What was measured, kept and used."""

import json
from pathlib import Path

import pytest

from benchsim.errors import UsageError
from benchsim.ports.qualified import file_of, load, save, use

GOOD = {"uncertainty_ms": 1.5, "chunks": False}


class FakePort:
    uncertainty, chunks, note = 216_000, True, "measure it"

    class line:
        name = "bus"


def test_where_it_is_kept():
    assert file_of(Path("kits/one.toml")) == Path("kits/one.ports.json")
    assert file_of(None) == Path("benchsim.ports.json")


def test_one_measurement_replaces_its_own_kind_only(tmp_path):
    path = tmp_path / "one.ports.json"
    save(path, "kit=pty", GOOD)
    save(path, "bus=pair-pty", GOOD)
    save(path, "kit=pty", GOOD | {"uncertainty_ms": 2})
    assert {key: one["uncertainty_ms"] for key, one in load(path).items()} == {"bus=pair-pty": 1.5, "kit=pty": 2}


def test_a_port_that_was_measured_has_that_doubt(tmp_path):
    save(tmp_path / "one.ports.json", "bus=pair:/dev/x", GOOD)
    port = FakePort()
    use(port, "pair:/dev/x", tmp_path / "one.toml")
    assert (port.uncertainty, port.chunks, port.note) == (108_000, False, "")  # 1.5 ms


@pytest.mark.parametrize("where", ["pair:/dev/y", ""])
def test_another_keeps_its_own(tmp_path, where):
    save(tmp_path / "one.ports.json", "bus=pair:/dev/x", GOOD)
    port = FakePort()
    use(port, where, tmp_path / "one.toml")
    assert (port.uncertainty, port.chunks, port.note) == (216_000, True, "measure it")


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[]",
        "{}",
        '{"ports": []}',
        '{"ports": {"bus=x": {}}}',
        '{"ports": {"bus=x": []}}',
        json.dumps({"ports": {"bus": GOOD}}),
        json.dumps({"ports": {"bus=x": GOOD | {"uncertainty_ms": 0}}}),
        json.dumps({"ports": {"bus=x": GOOD | {"uncertainty_ms": "3"}}}),
        json.dumps({"ports": {"bus=x": GOOD | {"chunks": 1}}}),
        b"\xff\xfe",
    ],
)
def test_a_file_that_nobody_measured(tmp_path, text):
    path = tmp_path / "one.ports.json"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(UsageError, match=r"one\.ports\.json: expected what .* wrote; delete it"):
        load(path)


def test_a_folder_in_its_place(tmp_path):
    (tmp_path / "one.ports.json").mkdir()
    with pytest.raises(UsageError, match=r"one\.ports\.json: is a directory, expected what"):
        load(tmp_path / "one.ports.json")
    with pytest.raises(UsageError, match="no such file or directory, expected a place"):
        save(tmp_path / "none" / "one.ports.json", "bus=x", GOOD)
