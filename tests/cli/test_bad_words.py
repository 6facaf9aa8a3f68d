"""What cannot be decoded, written or found is told in one line, at once."""

import json
from importlib.metadata import version

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


# What is typed (§ is a space inside a word), and what the one line must say. Nothing is played, drawn or written.
TYPED = [
    ("run --virtual --for inf", "--for"),
    ("run --virtual --for 1e30", "--for"),
    ("run --virtual --for nan", "--for"),
    ("run --virtual --for -1", "--for"),
    ("run --virtual --for 1 --out {file}/deep", "expected a folder"),
    ("run --virtual", "--virtual: expected --for SECONDS"),
    ("run --exec {no_program}§{{kit}} --for 1", "{no_program}: exec format error"),
    ("run --port kit:host=pty --port kit:board=pty --spoil kit:drop@9999999999 --for 1", "at most 1e+08 seconds"),
    ("check --test host --exec {no_program}§{{kit}}", "{no_program}: exec format error"),
    ("check --case sale", "one such as sale-coin, sale-bill"),
    ("check --test auditor --case bock-lost", "one such as block-lost"),
    ("check --test nobody", "--test nobody: expected a seat that has a plan"),
    ("check --test host --hands", "--hands: expected --port or --exec with it"),
    ("check --test host --seeds 3", "--seeds 3: expected no --test"),
    ("check --fault coin-jam --seeds 3", "--seeds 3: expected no --test, --case or fault"),
    ("check --case start-up --out {file}/deep", "expected a folder"),
    ("check --case start-up --write-golden {folder}", "this is a folder, expected a file"),
    ("check --case start-up --write-golden {folder}/no/x", "expected one that exists"),
    ("check --case start-up --write-golden {file}", "--write-golden {file}: no JSON"),
    ("judge {capture} --uncertainty inf", "--uncertainty"),
    ("judge {capture} --uncertainty 1e300", "--uncertainty"),
    ("judge {capture} --out {file}", "expected a folder"),
    ("judge {capture} --out {file}/deep", "expected a folder"),
    ("judge {folder}", "expected a name ending in .pcapng"),
    ("decode {capture} --at nan", "--at"),
    ("decode {capture} --at -1", "--at"),
    ("decode {capture} --at 1e9", "--at"),
    ("decode {capture} --hex 10B", "not both"),
    ("decode {capture} --svg {folder}", "--svg: expected --at SECONDS"),
    ("decode {capture} --at 0 --svg {folder}", "this is a folder"),
    ("decode {capture} --at 0 --svg {folder}/no/x.svg", "expected one that exists"),
    ("diagnose --seen device.changer=lost --bench {folder}/none.toml", "none.toml"),
    ("sweep --out {folder} --held-out 3 --seeds 3", "--held-out 3: expected fewer"),
    ("sweep --out {folder} --test host", "--test host: expected --find RULE"),
    ("sweep --out {folder} --find KIT-ONCE --test nobody", "--test nobody: no such seat"),
    ("sweep --out {folder} --first 99999999999999999999", "--first"),
    ("sweep --out {folder} --seeds 1 --cards coin-jam --cluster nowhere", "--cluster nowhere: expected"),
    ("sweep --out {file}/deep", "expected a folder"),
    ("drill --book {folder}/b --seed 99999999999999999999", "--seed"),
    ("drill --book {folder}/b --seed -1", "--seed"),
    ("--verion", "No such option"),
]


@pytest.mark.parametrize("typed, said", TYPED)
def test_options_that_cannot_be_meant_are_told_in_one_line(typed, said, tmp_path, capsys):
    (tmp_path / "file").write_text("a file")
    (tmp_path / "capture.csv").write_text("time_us,link,sender,value,mode\n0,kit,host,0x7E,\n")
    (tmp_path / "no-program").write_text("x")
    (tmp_path / "no-program").chmod(0o755)
    places = {"no_program": tmp_path / "no-program", "folder": tmp_path, "file": tmp_path / "file", "capture": tmp_path / "capture.csv"}
    assert run([word.format(**places).replace("§", " ") for word in typed.split()]) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.count("\n") == 1
    assert told.err.startswith("benchsim: ")
    assert said.format(**places) in told.err


def test_version_is_that_of_the_installed_package(capsys):
    assert run(["--version"]) == 0
    assert capsys.readouterr().out == f"benchsim {version('benchsim')}\n"


def test_the_cases_that_may_be_asked_for_stand_on_the_page_of_their_seat(capsys):
    assert run(["seats", "auditor"]) == 0
    assert "  block-lost " in capsys.readouterr().out


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
