"""A board-to-host link of the user's own, from a file of theirs that lies anywhere."""

import json

import pytest

from benchsim.cli import run
from benchsim.schema import protocols_folder

FENCED = (protocols_folder() / "kit" / "fenced.toml").read_text("utf-8")


@pytest.fixture
def bench(tmp_path):
    """A bench file, and the link that it names, with other start and end bytes; in folders of their own."""
    (tmp_path / "links").mkdir()
    own = FENCED.replace("start = [0x02]", "start = [0xAA, 0x55]").replace("end = [0x03]", "end = [0x0D, 0x0A]")
    (tmp_path / "links" / "mine.toml").write_text(own)
    (tmp_path / "benches").mkdir()
    path = tmp_path / "benches" / "bench.toml"
    path.write_text('[links.kit]\nprotocol = "../links/mine.toml"\n')
    return path


def test_a_file_beside_the_bench_file_is_checked_recorded_and_judged_again(bench, tmp_path, capsys):
    out = tmp_path / "out"
    words = ["--test", "host", "--case", "start-up", "--case", "answer-lost", "--out", str(out)]
    assert run(["check", str(bench), *words]) == 0
    first = json.loads((out / "verdicts.json").read_text())
    assert str(tmp_path / "benches" / ".." / "links" / "mine.toml") in json.dumps(first)  # the report says which link
    capsys.readouterr()
    capture = str(out / "capture.pcapng")
    assert run(["judge", capture, "--bench", str(bench), "--json"]) == 0
    again = json.loads(capsys.readouterr().out)
    told = {(v["case"], v["rule"]): v["outcome"] for v in first["verdicts"]}
    assert told["answer-lost", "KIT-WAIT"] == "pass"
    assert {(v["case"], v["rule"]): v["outcome"] for v in again["verdicts"]} == told
    assert run(["decode", capture, "--kit", str(bench.parents[1] / "links" / "mine.toml")]) == 0
    shown = capsys.readouterr().out
    assert "AGAIN seq 1" in shown and ": rows 6, columns 8" in shown and "broken" not in shown


@pytest.mark.parametrize(
    ("link", "words", "told"),
    [  # frames worked by hand: tests/links/test_kit_counted.py
        ("counted", "03 00 48 4B", "HELLO seq 0"), ("counted", "05 03 53 19 17 5B", "SELL seq 3: price 125, row 1, column 2"),
        ("fenced", "02 03 00 01 A0 00 A4 03", "AGAIN seq 0"),
        ("fenced", "02 06 00 80 A0 00 10 01 02 39 03", "AGAIN answer seq 0: version 1, cause 2"),
        ("reference", "7E 01 00 9F 16 7E", "RESET seq 0"),
    ],
)  # fmt: skip
def test_frames_in_hex(link, words, told, capsys):
    assert run(["decode", "--kit", link, "--hex", words]) == 0
    assert capsys.readouterr().out.rstrip().endswith(told)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (FENCED.replace('style = "length"', 'style = "lines"'), "mine.toml: framing.style: expected one of flags, length"),
        (FENCED.replace("code = 0xA5", ""), "mine.toml: operation[5]: the key 'code' is missing"),
        (FENCED.replace('"column u1", "row u1"', '"row u1", "row u1"'), "mine.toml: operation[5].request: the field name 'row'"),
        (FENCED.replace("code = 0xA1", "code = 0xA0"), "mine.toml: operation[1].code: 0xa0 stands twice"),
        (FENCED.replace("[status]", "[status"), "mine.toml: expected TOML"),
        ('kind = "panel"', "mine.toml: "),
        (None, "mine.toml: cannot be read"),
    ],
)  # fmt: skip
def test_a_broken_file_is_told_in_one_line(bench, text, told, capsys):
    mine = bench.parents[1] / "links" / "mine.toml"
    mine.unlink() if text is None else mine.write_text(text)
    for words in (["check", str(bench)], ["run", str(bench), "--virtual", "--for", "1"], ["decode", "--kit", str(mine), "--hex", "02"]):
        assert run(words) == 2
        said = capsys.readouterr()
        assert said.out == ""
        assert said.err.count("\n") == 1
        assert told in said.err


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('[links.kit]\nprotocol = "mine"\n', "links.kit.protocol: expected counted, fenced, reference, or the path"),
        ("[links.kit]\nprotocol = 3\n", "links.kit.protocol: expected a text"),
        ("[links.kit]\nprotocoll = 3\n", "unknown key links.kit.protocoll"),
        ("[links.bus]\nprotocol = 3\n", "unknown key links.bus"),
        ('[machine]\nprice = 126\n[links.kit]\nprotocol = "counted"\n', "machine: 126 minor units, where the link has"),
        ('[machine]\ncolumns = 12\n[links.kit]\nprotocol = "counted"\n', "machine: row 0, column 10 has no place"),
    ],
)  # fmt: skip
def test_a_bench_file_that_cannot_be_meant_is_told_in_one_line(tmp_path, text, told, capsys):
    path = tmp_path / "bench.toml"
    path.write_text(text)
    assert run(["check", str(path), "--case", "demo"]) == 2
    said = capsys.readouterr()
    assert said.err.startswith(f"benchsim: {path}: ") and said.err.count("\n") == 1
    assert told in said.err
