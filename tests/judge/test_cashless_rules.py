"""Sessions of a reader. Frames and checksums are written by hand (MDB/ICP 4.3 §7); the reader told a response
time of 5 s, level 3, amounts of two bytes."""

import importlib.util
from pathlib import Path

import pytest

_spec = importlib.util.spec_from_file_location("bus_script", Path(__file__).with_name("bus_script.py"))
bus_script = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bus_script)
Script = bus_script.Script

BEGIN_500 = "003 001 0F4 000 000 000 000 000 000 000 1F8"  # funds 01F4: 03+01+F4 = F8
BEGIN_UNKNOWN = "003 0FF 0FF 000 000 000 000 000 000 000 101"  # 03+FF+FF = 201
REQUEST_125 = "113 000 000 07D 000 011 0A1"  # 13+7D+11 = A1
REQUEST_500 = "113 000 001 0F4 000 011 019"  # 13+01+F4+11 = 119
REQUEST_600 = "113 000 002 058 000 011 07E"  # 13+02+58+11 = 7E
CANCEL = "113 001 014"
SUCCESS = "113 002 000 011 026"  # 13+02+11 = 26
FAILURE = "113 003 016"
COMPLETE = "113 004 017"
APPROVED, DENIED, END = "005 000 07D 182", "006 106", "007 107"
CANCEL_REQUEST, DISORDER = "004 104", "00B 004 10F"
RESET = "110 010"


class Talk(Script):
    """The reader's script: `asks` a command with its ACK, `told` a POLL with its data."""

    def asks(self, words, answer="100", after=60.0):
        self.out(words, after).answer(answer, seat="cashless1")
        return self if answer == "100" else self.ack()

    def tells(self, words, after=60.0):
        return self.asks("112 012", words, after)

    def polled(self, seconds):
        return self.polls(round(seconds * 10), 96.0, "112 012", seat="cashless1")


def enabled():
    s = Talk().asks(RESET).tells("000 100")
    s.asks("111 000 003 010 002 000 026", "001 003 019 078 001 002 005 000 19D")
    return s.asks("111 001 0FF 0FF 000 000 010").asks("114 001 015")


def session(begin=BEGIN_500):
    return enabled().tells(begin)


def approved(request=REQUEST_125):
    return session().asks(request).tells(APPROVED)


def csh(script, **more):
    return [b for b in script.broken(**more) if b.startswith("CSH")]


def test_a_whole_session():
    s = approved().asks(SUCCESS).asks(REQUEST_125).tells(DENIED).asks(COMPLETE, END).polled(1)
    assert csh(s) == []
    found = s.judge()
    for rule in ("CSH-STATE", "CSH-FUNDS", "CSH-OUTCOME", "CSH-CLOSE"):
        assert found[rule, "board"].outcome == "pass", rule
    for rule in ("CSH-STATE", "CSH-ANSWER", "CSH-CLOSE"):
        assert found[rule, "cashless1"].outcome == "pass", rule


@pytest.mark.parametrize(
    ("before", "command", "breaks"),
    [
        (enabled, REQUEST_125, True),
        (session, REQUEST_125, False),
        (session, SUCCESS, True),
        (session, CANCEL, True),
        (session, COMPLETE, False),
        (enabled, COMPLETE, True),
        (approved, SUCCESS, False),
        (approved, FAILURE, False),
        (approved, COMPLETE, True),
        (approved, CANCEL, True),
        (Talk, REQUEST_125, False),  # nothing is known yet
    ],
)
def test_commands_in_their_states(before, command, breaks):
    assert ("CSH-STATE board" in csh(before().asks(command))) == breaks


@pytest.mark.parametrize(
    ("before", "answer", "breaks"),
    [
        (enabled, APPROVED, True),
        (session, APPROVED, True),
        (session, DENIED, True),
        (session, BEGIN_500, True),
        (session, CANCEL_REQUEST, False),
        (session, END, False),  # the reader gives up by itself
        (enabled, CANCEL_REQUEST, True),
        (Talk, DENIED, False),
    ],
)
def test_answers_in_their_states(before, answer, breaks):
    assert ("CSH-STATE cashless1" in csh(before().tells(answer))) == breaks


def test_disabled_during_a_session_it_is_disabled_after_it():
    s = session().asks("114 000 014").asks(COMPLETE, END).tells(CANCEL_REQUEST)
    assert "CSH-STATE cashless1" in csh(s)
    assert "CSH-STATE board" not in csh(s)


def test_a_command_that_may_be_lost_leaves_all_open():
    s = session().out(REQUEST_125).tells(APPROVED).asks(SUCCESS).asks(COMPLETE, END)
    assert "CSH-STATE cashless1" not in csh(s) and "CSH-STATE board" not in csh(s)


@pytest.mark.parametrize(
    ("begin", "request_", "breaks"),
    [(BEGIN_500, REQUEST_500, False), (BEGIN_500, REQUEST_600, True), (BEGIN_UNKNOWN, REQUEST_600, False)],
)
def test_funds(begin, request_, breaks):
    assert ("CSH-FUNDS board" in csh(session(begin).asks(request_))) == breaks


def test_funds_shrink_with_each_vend():
    s = approved().asks(SUCCESS).asks(REQUEST_500)  # 500 - 125 = 375 left
    assert "CSH-FUNDS board" in csh(s)
    s = approved().asks(FAILURE).asks(REQUEST_500)
    assert "CSH-FUNDS board" not in csh(s)


def test_exactly_one_outcome():
    assert "CSH-OUTCOME board" not in csh(approved().asks(SUCCESS))
    assert "CSH-OUTCOME board" in csh(approved().asks(SUCCESS).asks("113 003 016"))
    assert "CSH-OUTCOME board" in csh(approved().asks(COMPLETE, END))
    lost = approved().out(SUCCESS).asks(SUCCESS)  # its answer was lost: the same again counts once
    assert "CSH-OUTCOME board" not in csh(lost)
    assert "CSH-OUTCOME board" not in csh(approved().asks(RESET))


def test_vend_answered_in_its_time():
    assert "CSH-ANSWER cashless1" not in csh(session().asks(REQUEST_125).polled(4.5).tells(APPROVED))
    assert "CSH-ANSWER cashless1" in csh(session().asks(REQUEST_125).polled(5.5).tells(APPROVED))
    assert "CSH-ANSWER cashless1" not in csh(session().asks(REQUEST_125).polled(3).asks(CANCEL, DENIED).polled(4))
    assert "CSH-ANSWER cashless1" not in csh(session().asks(REQUEST_125).asks(RESET).polled(6))
    assert session().asks(REQUEST_125).polled(3).judge()["CSH-ANSWER", "cashless1"].outcome == "unseen"


def test_a_reader_that_is_not_polled_cannot_be_late():
    s = session().asks(REQUEST_125).wait(9000).tells(APPROVED)
    assert "CSH-ANSWER cashless1" not in csh(s)


def test_end_session_in_its_time():
    assert "CSH-CLOSE cashless1" in csh(session().asks(COMPLETE).polled(5.5))
    assert "CSH-CLOSE cashless1" not in csh(session().asks(COMPLETE).polled(2).tells(END))


def test_a_session_left_open():
    assert session().wait(61_000).judge()["CSH-CLOSE", "board"].outcome == "warn"
    assert session().wait(50_000).asks(REQUEST_125).wait(50_000).judge()["CSH-CLOSE", "board"].outcome == "unseen"
    assert "CSH-CLOSE board" not in csh(session().asks(COMPLETE, END).wait(61_000))
    assert "CSH-CLOSE board" not in csh(session().asks(RESET).wait(61_000))


def test_disorder_is_answered_with_reset():
    assert session().tells(DISORDER).asks(RESET).judge()["CSH-ORDER", "board"].outcome == "pass"
    assert session().tells(DISORDER).wait(5100).judge()["CSH-ORDER", "board"].outcome == "warn"
    assert session().tells(DISORDER).judge(end=4000)["CSH-ORDER", "board"].outcome == "unseen"


def test_cancel_request():
    assert session().tells(CANCEL_REQUEST).asks(COMPLETE, END).judge()["CSH-CANCEL", "board"].outcome == "pass"
    assert session().tells(CANCEL_REQUEST).wait(5100).judge()["CSH-CANCEL", "board"].outcome == "warn"
    assert session().tells(CANCEL_REQUEST).judge(end=4000)["CSH-CANCEL", "board"].outcome == "unseen"


def test_a_cancel_request_during_a_vend_waits_for_its_end():
    s = approved().tells(CANCEL_REQUEST).wait(9000).asks(SUCCESS).asks(COMPLETE, END)
    assert s.judge()["CSH-CANCEL", "board"].outcome == "pass"
