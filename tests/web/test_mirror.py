"""A bench with a real seat, seen from the page's process. Real time: waits are for what is seen."""

import sys
import time
from pathlib import Path
from types import SimpleNamespace

import pytest

from benchsim.bench import bench_links
from benchsim.captures import open_capture
from benchsim.errors import UsageError
from benchsim.schema import load_book
from benchsim.settings import Settings
from benchsim.web.mirror import Mirror
from benchsim.web.picture import REAL_HOST
from benchsim.web.real_bench import Words

HOST = Path(__file__).parents[2] / "fixtures" / "sample_host" / "host.py"
WORDS = Words(None, exec_=(f"{sys.executable} {HOST} {{kit}} {{panel}}",))
PATIENT = 60  # seconds; a busy machine is slow, not wrong


def until(mirror, seen):
    """Look on until it is seen."""
    end = time.monotonic() + PATIENT
    while not seen(mirror.picture()):
        assert time.monotonic() < end and not mirror.gone, mirror.picture()
        time.sleep(0.02)
        mirror.advance(0.02)


@pytest.fixture(scope="module")
def mirror(tmp_path_factory):
    made = Mirror(Settings(), load_book(), WORDS, tmp_path_factory.mktemp("records"))
    until(made, lambda picture: picture["seats"]["board"].startswith("on sale"))
    yield made
    made.close()


def test_a_real_host_sells_and_the_page_sees_it(mirror):
    assert mirror.picture()["message"] == REAL_HOST and not mirror.paced
    assert mirror.record().startswith("recording into ")
    until(mirror, lambda picture: picture["seats"]["changer"] == "on")
    while mirror.act("coin", 5) != "coin 2.00 put in":  # the changer takes none yet
        mirror.advance(0)
        time.sleep(0.1)
    until(mirror, lambda picture: picture["credit"] >= 200)
    assert mirror.act("tap", 0, 0) == "row 0, column 0 tapped"
    until(mirror, lambda picture: picture["turning"] == [[0, 0]])
    until(mirror, lambda picture: picture["tray"]["products"] == 1 and not picture["turning"])
    assert mirror.moment_at(0.0)["tray"]["products"] == 0
    told = mirror.record()
    assert told.startswith("recorded: ")
    events = [type(event).__name__ for event in open_capture(told.partition(": ")[2]).events()]
    assert events.count("Burst") > 100 and events.count("Happening") > 3


def test_faults_of_what_is_simulated_and_of_nothing_else(mirror):
    offered = {card.id for card in mirror.cards}
    assert "changer-unplugged" in offered and not {card for card in offered if card.startswith("host-")}
    assert mirror.switch("changer-unplugged") == "changer-unplugged begins"
    until(mirror, lambda picture: picture["seats"]["changer"].startswith("no supply"))
    assert mirror.picture()["faults"] == ["changer-unplugged"]
    mirror.switch("changer-unplugged")
    until(mirror, lambda picture: picture["faults"] == [])
    assert mirror.switch("no-such-card") == "'no-such-card': no such card at this bench"


def test_no_message_does_more_than_an_act(mirror):
    assert mirror.act("stop") == f"'stop': no such act, expected one of {', '.join(sorted_acts())}"
    assert mirror.act("coin", 99) == "coin: expected 0 to 15"
    assert mirror.act("door", "rm") == "door: expected 0 to 1"


def sorted_acts():
    from benchsim.web.hands import ACTS

    return ACTS


@pytest.mark.parametrize("words, told", [
    ({"port": ("kit=serial:/dev/no-such-port",)}, "/dev/no-such-port"),
    ({"exec_": ("no-such-program {kit}",)}, "no-such-program"),
    ({"port": ("kit:host=pty", "kit:board=pty")}, "both sides of the kit link are real"),
])  # fmt: skip
def test_what_cannot_be_seated_is_told_in_a_line(words, told):
    with pytest.raises(UsageError, match=told):
        Mirror(Settings(), load_book(), Words(None, **words))


class Gone:
    """The near end of a wire to a process that ended as soon as it was ready."""

    def __init__(self):
        self.told = [("ready", {"links": bench_links(load_book()), "subject": "host", "seats": frozenset(("host",)),
                                "coins": [], "bills": [], "cards": []})]  # fmt: skip
        self.asked = 0

    def poll(self, patience=0.0):
        self.asked += 1
        assert self.asked < 10, "it is asked for ever"
        return True

    def recv(self):
        if not self.told:
            raise EOFError
        return self.told.pop()

    def close(self):
        """Nothing is at the other end."""


class Process:
    """One that has ended."""

    def __init__(self, **what):
        self.start = self.terminate = lambda: None

    def join(self, patience=0.0):
        """It has."""

    def is_alive(self):
        return False


def test_a_bench_that_ends_before_it_is_seen_is_told_in_a_line(monkeypatch):
    context = SimpleNamespace(Pipe=lambda: (Gone(), Gone()), Process=Process)
    monkeypatch.setattr("benchsim.web.mirror.get_context", lambda how: context)
    with pytest.raises(UsageError, match="the bench has ended"):
        Mirror(Settings(), load_book(), WORDS)


def test_it_ends_with_the_page_and_tells_when_it_is_gone():
    made = Mirror(Settings(), load_book(), WORDS)
    made._process.terminate()
    made._process.join()
    end = time.monotonic() + PATIENT
    while not made.gone and time.monotonic() < end:
        made.advance(0)
    assert made.gone and made.lines[-1][1] == "the bench has ended"
    assert made.act("lever") == "the bench has ended"
    made.close()
