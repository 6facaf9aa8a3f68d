"""What cannot be decoded, written or found is told in one line, at once."""

import json

import pytest

from benchsim.cli import run


@pytest.mark.parametrize("words", ["", "zz", "7E 01 00", "01 00", "FFF", "-1", "7E 1FF 7E"])
def test_words_that_make_nothing_whole_are_refused(words, capsys):
    assert run(["decode", "--hex", words]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.count("\n") == 1
    assert "--hex" in told.err
    assert "expected" in told.err


def test_a_whole_frame_is_shown(capsys):
    assert run(["decode", "--hex", "7E 01 00 9F 16 7E"]) == 0  # kit link reference, worked frame
    assert "RESET seq 0" in capsys.readouterr().out


def test_a_file_in_place_of_the_folder_is_told_before_anything_is_played(tmp_path, capsys):
    (tmp_path / "out").write_text("a file")
    assert run(["check", "--case", "start-up", "--out", str(tmp_path / "out")]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert "expected a folder" in told.err


def test_one_case_of_a_recorded_check_is_judged_alone(tmp_path, capsys):
    out = str(tmp_path / "o")
    assert run(["check", "--test", "host", "--case", "start-up", "--case", "answer-lost", "--out", out]) == 0
    capsys.readouterr()
    capture = str(tmp_path / "o" / "capture.pcapng")
    assert run(["judge", capture, "--case", "answer-lost", "--json"]) == 0
    cases = {verdict["case"] for verdict in json.loads(capsys.readouterr().out)["verdicts"]}
    assert cases == {"answer-lost"}
    assert run(["judge", capture, "--case", "nosuch"]) == 2
    assert "expected one that the capture has: start-up, answer-lost" in capsys.readouterr().err
