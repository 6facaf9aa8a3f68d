"""`benchsim check` in a build: JUnit, waivers, a saved run, what is allowed, exit states. In our own process: it is quicker."""

import json
from xml.etree import ElementTree

import pytest

from benchsim.cli import run
from benchsim.cli.held import held

CHECK = ("check", "--test", "host", "--case", "polling")
HANGS = ("--fault", "host-hung@3+0.6")  # no POLL for more than 250 ms: KIT-POLL-RATE, kit link reference
WAIVER = """
[[waiver]]
rule = "KIT-POLL-RATE"
seat = "host"
reason = "hangs for a moment"
until = 2026-06-30
"""


@pytest.fixture
def waivers(tmp_path):
    path = tmp_path / "waivers.toml"
    path.write_text(WAIVER)
    return str(path)


def document(capsys, *arguments: str) -> tuple[int, dict]:
    capsys.readouterr()
    status = run([*CHECK, "--json", *arguments])
    return status, json.loads(capsys.readouterr().out)


def names(path) -> list[tuple[str, str]]:
    return [(test.get("classname"), test.get("name")) for test in ElementTree.parse(path).iter("testcase")]


def failures(path) -> list[str]:
    return [test.get("name") for test in ElementTree.parse(path).iter("testcase") if test.find("failure") is not None]


def test_junit_names_are_the_same_whatever_comes_out(tmp_path, capsys):
    files = [tmp_path / "a" / "one.xml", tmp_path / "two.xml"]
    assert run([*CHECK, "--junit", str(files[0])]) == 0
    assert run([*CHECK, "--junit", str(files[1]), "--seed", "9", *HANGS, "--case", "answer-lost"]) == 1
    assert ("polling.host", "KIT-POLL-RATE host") in names(files[0])
    assert set(names(files[0])) < set(names(files[1])) and len(set(names(files[1]))) == len(names(files[1]))
    assert failures(files[0]) == [] and set(failures(files[1])) == {"KIT-POLL-RATE host"}


def test_a_waiver_lets_pass_until_its_day(waivers, tmp_path, capsys):
    xml = tmp_path / "j.xml"
    status, told = document(capsys, *HANGS, "--waivers", waivers, "--today", "2026-06-30", "--junit", str(xml))
    assert (status, told["outcome"], told["summary"]["warn"]) == (0, "pass", 1)
    assert [row["state"] for row in told["waivers"]] == ["used"] and failures(xml) == []
    status, later = document(capsys, *HANGS, "--waivers", waivers, "--today", "2026-07-01", "--junit", str(xml))
    assert (status, later["outcome"], later["summary"]["fail"]) == (1, "fail", 1)
    assert failures(xml) == ["KIT-POLL-RATE host", "KIT-POLL-RATE host"]  # the rule, and the waiver
    assert "2026-07-01" not in json.dumps(later)  # no wall clock enters the document


def test_a_waiver_that_nothing_needs_fails(waivers, capsys):
    assert run([*CHECK, "--waivers", waivers, "--today", "2026-06-30"]) == 1
    told = " ".join(capsys.readouterr().out.split())
    assert "KIT-POLL-RATE at host, until 2026-06-30, no longer needed: hangs for a moment" in told
    assert "Failed: 1 waiver is past the date or no longer needed." in told


def test_a_saved_run_is_compared(tmp_path, capsys):
    saved, xml, out = tmp_path / "golden.json", tmp_path / "j.xml", tmp_path / "out"
    assert run([*CHECK, "--write-golden", str(saved)]) == 0
    status, told = document(capsys, "--golden", str(saved), "--seed", "5")
    assert (status, told["golden"]) == (0, [])
    steps = json.loads(saved.read_text())
    steps["cases"]["host: polling"]["host"]["steps"].remove("OPEN-SALE: ok")
    saved.write_text(json.dumps(steps))
    assert run([*CHECK, "--golden", str(saved), "--junit", str(xml), "--out", str(out)]) == 1
    told = capsys.readouterr().out
    assert "+ new: OPEN-SALE: ok (after PRICE-COMMIT check 10357: ok)" in told
    assert "the run differs from the saved one in 1 place" in " ".join(told.split())
    assert failures(xml) == ["polling"]
    assert "new: OPEN-SALE: ok" in (out / "report.html").read_text()


def test_nothing_put_to_the_test_is_no_pass_even_if_unsure_is_allowed(tmp_path, capsys):
    """A program that is silent fails; with no case played at all nothing is put to the test."""
    assert run([*CHECK, "--exec", "true {kit}", "--allow", "unsure"]) == 1
    needs_panel = ["check", "--test", "host", "--exec", "true {kit}", "--case", "stuck-touch"]
    assert run(needs_panel) == run([*needs_panel, "--allow", "unsure"]) == 3
    capsys.readouterr()


@pytest.mark.parametrize(
    ("allow", "outcome", "tried", "status"),
    [(["unsure"], "unsure", 2, 0), (["unsure"], "unsure", 0, 3), (None, "unsure", 2, 3), (["unsure"], "fail", 2, 1), (["unsure"], "pass", 0, 0)],
)
def test_what_is_allowed_and_the_exit_status(allow, outcome, tried, status):
    summary = {"pass": 0, "fail": 0, "unsure": tried, "warn": 0, "unseen": 5}
    assert held(None, None, None, None, allow, None, None).status({"outcome": outcome, "summary": summary}) == status


# What a saved run never is: cases, parties, what they did, its steps.
NO_RUNS = (
    ["host: start-up"], {"host: start-up": 5}, {"host: start-up": {"host": []}}, {"host: start-up": {"host": {"steps": None}}},
    {"host: start-up": {"host": {"routine": [1]}}},
)  # fmt: skip


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (["--allow", "fail"], "--allow fail: expected unsure"),
        (["--today", "2026-01-01"], "expected --waivers"),
        (["--waivers", "none.toml"], "none.toml"),
        (["--golden", "none.json"], "--write-golden none.json makes it"),
        *((["--golden", f"{number}.json"], f'{number}.json: expected a saved run with "golden": 1') for number in range(len(NO_RUNS))),
        (["--junit", "."], "--junit .: this is a folder"),
        (["--junit", "/dev/null/x/y.xml"], "--junit /dev/null/x/y.xml"),
        (["--write-golden", "/dev/null/x.json"], "--write-golden /dev/null/x.json"),
    ],
)
def test_bad_usage_is_one_line_and_status_2(arguments, expected, capsys, tmp_path, monkeypatch):
    for number, cases in enumerate(NO_RUNS):
        (tmp_path / f"{number}.json").write_text(json.dumps({"golden": 1, "cases": cases}))
    monkeypatch.chdir(tmp_path)
    assert run([*CHECK, *arguments]) == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert expected in line


def test_a_day_that_is_none_is_told(waivers, capsys):
    assert run([*CHECK, "--waivers", waivers, "--today", "tomorrow"]) == 2
    assert "such as 2026-12-31" in capsys.readouterr().err
