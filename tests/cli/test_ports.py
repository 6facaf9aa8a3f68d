"""`benchsim ports`. Adapters are made up; figures of a real pseudo-terminal are looked at, never judged."""

import json

import pytest

from benchsim.cli import run
from benchsim.ports import adapters as module
from benchsim.ports.adapters import adapters


class Port:
    """As pyserial tells of one."""

    def __init__(self, device, description="n/a", serial_number=None):
        self.device, self.description, self.serial_number = device, description, serial_number


@pytest.fixture
def two_adapters(monkeypatch):
    found = [Port("/dev/ttyB", "USB serial", "A1"), Port("/dev/ttyA")]
    monkeypatch.setattr(module.list_ports, "comports", lambda: found)


def test_the_list(two_adapters, capsys):
    assert run(["ports"]) == 0
    said = capsys.readouterr().out
    assert said.index("/dev/ttyA") < said.index("/dev/ttyB")
    assert "USB serial" in said and "A1" in said and "n/a" not in said
    assert "Isolate first." in said and "34 V" in said


def test_the_list_as_json(two_adapters, capsys):
    assert run(["ports", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {
        "adapters": [
            {"device": "/dev/ttyA", "stable": "/dev/ttyA", "description": "", "serial_number": ""},
            {"device": "/dev/ttyB", "stable": "/dev/ttyB", "description": "USB serial", "serial_number": "A1"},
        ]
    }


def test_the_stable_path_of_an_adapter(two_adapters, tmp_path, monkeypatch):
    monkeypatch.setattr(module.list_ports, "comports", lambda: [Port(str(tmp_path / "tty"))])
    (tmp_path / "by-id").mkdir()
    (tmp_path / "by-id" / "usb-adapter").symlink_to(tmp_path / "tty")
    (one,) = adapters(tmp_path / "by-id")
    assert one.stable == str(tmp_path / "by-id" / "usb-adapter")


def test_no_adapters(monkeypatch, capsys):
    monkeypatch.setattr(module.list_ports, "comports", list)
    assert run(["ports"]) == 0
    assert "No serial adapters here." in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["--loopback"], "--loopback: expected --qualify LINK=WHERE with it"),
        (["--qualify", "pty"], "--qualify pty: expected LINK=WHERE, LINK one of audit, bus, kit, panel"),
        (["--qualify", "coil=pty"], "--qualify coil=pty: expected LINK=WHERE"),
        (["--qualify", "bus=pty"], "bus=pty: the words of this link have 9 bits, expected pair-pty"),
        (["--qualify", "kit=usb"], "usb: expected one of pty"),
        (["--qualify", "kit=serial:/dev/none"], "/dev/none: no such device"),
        (["--qualify", "kit=serial:/dev/none", "--loopback"], "/dev/none: no such device"),
    ],
)
def test_bad_words(arguments, told, capsys):
    assert run(["ports", *arguments]) == 2
    said = capsys.readouterr()
    assert told in said.err and len(said.err.splitlines()) == 1 and not said.out


@pytest.mark.parametrize("where", ["bus=pair-pty", "kit=pty"])
def test_a_pseudo_terminal_is_measured_with_a_loop_of_our_own(where, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    status = run(["ports", "--qualify", where, "--json"])
    found = json.loads(capsys.readouterr().out)
    assert (found["link"], found["where"]) == tuple(where.split("="))
    assert found["measured"] and found["probes"] + found["lost"] >= 20
    trip = found["round_trip_ms"]
    assert 0 < trip["median"] <= trip["p99_9"] <= trip["worst"] <= found["uncertainty_ms"]
    # A busy computer's figure is not kept.
    assert status == (3 if found["busy"] else 0)
    assert (tmp_path / "benchsim.ports.json").exists() is not found["busy"]


def test_without_a_loop_nothing_is_measured_or_kept(tmp_path, monkeypatch, capsys):
    """The doubt of the kind on this computer is 3 ms: a limit of 5 ms is met for sure up to 2 ms."""
    import socket

    monkeypatch.chdir(tmp_path)
    with socket.create_server(("127.0.0.1", 0)) as listener:
        where = f"tcp:127.0.0.1:{listener.getsockname()[1]}"
        assert run(["ports", "--qualify", f"bus={where}", "--json"]) == 3
    found = json.loads(capsys.readouterr().out)
    rules = {row["rule"]: (row["provable"], row["why"]) for row in found["rules"]}
    assert (found["measured"], found["uncertainty_ms"], found["chunks"]) == (False, 3.0, True)
    assert rules["BUS-ANSWER"] == ("yes", "up to 2 ms surely passes")
    assert rules["BUS-POLL-RATE"] == ("yes", "from 28 up to 197 ms surely passes")
    assert rules["BUS-BREAK"] == ("yes", "from 103 ms surely passes")
    assert rules["BUS-GAP"] == ("no", "gaps inside a block are not measured here")
    assert rules["BUS-RATE"][0] == "no" and "logic analyser" in rules["BUS-RATE"][1]
    assert not list(tmp_path.iterdir())


def test_cautions_stand_beside_the_adapters(capsys):
    assert run(["ports"]) == 0
    told = capsys.readouterr().out
    for word in ("isolator", "34 V", "Mains off and unplugged", "Coils move", "Local codes and licensed practice"):
        assert word in told
