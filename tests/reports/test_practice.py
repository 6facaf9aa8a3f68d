"""What is known of every rule in practice: complete, in plain words, and printed by `benchsim rules`."""

import subprocess
import sys

import pytest

from benchsim.judge import all_rules
from benchsim.judge.verdict import ORDER
from benchsim.reports.practice import all_practice, page_of, practice_of
from benchsim.schema import load_book


@pytest.mark.parametrize("rule", [one.id for one in all_rules()])
def test_every_rule_says_what_breaks_it_and_what_to_look_at(rule):
    breaks, look = practice_of(rule)
    for text in (breaks, look):
        assert 30 < len(text) < 200 and text.endswith((".", "?")) and text[0].isupper(), text
    assert breaks != look


def test_no_text_for_a_rule_that_does_not_exist():
    assert set(all_practice()) <= {*ORDER, *(one.id for one in all_rules())}


def test_a_page_has_everything_and_no_line_is_too_long():
    (rule,) = (one for one in all_rules() if one.id == "BUS-ANSWER")
    page = "\n".join(page_of(rule, load_book()))
    for words in ("BUS-ANSWER  (device)", "starts within 5.0 ms", "at most 5 ms", "MDB/ICP 4.3 §3", "confidence A"):
        assert words in page
    told = " ".join(page.split())
    assert f"what breaks it in practice: {practice_of('BUS-ANSWER').breaks}" in told
    assert f"look first at: {practice_of('BUS-ANSWER').look}" in told
    assert max(map(len, page.split("\n"))) <= 110


@pytest.mark.parametrize(("arguments", "titles", "practice"), [([], 60, False), (["kit-wait"], 1, True)])
def test_the_command(arguments, titles, practice):
    command = [sys.executable, "-m", "benchsim", "rules", *arguments]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=True)
    lines = done.stdout.splitlines()
    assert sum(not line.startswith(" ") for line in lines) >= titles
    assert ("what breaks it in practice" in done.stdout) == practice
    assert (lines[0].split()[0] == "KIT-WAIT") == practice
