"""JUnit XML. Nesting and attributes as the Ant and Jenkins schemas have them (from memory)."""

import io
from xml.etree import ElementTree as Tree

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sample_record import clean_record, document, sample_record, unsure_record, verdict

from benchsim.reports import CaseNote, Record, write_junit

HOSTILE = "]]><b>&amp;\x00\x1b[31m\x0b\ud800\ufffe\"'</failure>\r\nend"


def written(record, **options):
    stream = io.StringIO()
    write_junit(record, stream, **options)
    # To bytes as to a file: nothing may be left that UTF-8 cannot carry.
    return stream.getvalue().encode("utf-8")


def read(record, **options):
    return Tree.fromstring(written(record, **options))


def cases_of(root, name):
    return {test.get("name"): test for test in root.findall(f"testsuite[@name='{name}']/testcase")}


def test_a_suite_for_each_case_and_a_test_for_each_rule():
    root = read(sample_record())
    assert root.tag == "testsuites"
    names = [suite.get("name") for suite in root]
    assert names == ["plain-sale", "slow-reader", "noisy-coils", "power-cut", "self-test", "odd but legal"]
    assert root[0].get("time") == "42.000000"
    found = cases_of(root, "noisy-coils")
    assert set(found) == {
        f"{rule} board"
        for rule in (
            "BUS-GAP", "BUS-MODE-OUT", "BUS-SUM-OUT", "BUS-RATE", "KIT-ANSWER", "KIT-FRAME",
            "SYS-PRESENT", "SYS-MONEY", "SYS-COLD", "BUS-ACK",
        )
    }  # fmt: skip
    assert found["BUS-ACK board"].get("classname") == "noisy-coils.board"


def test_counts_add_up_to_the_summary():
    record = sample_record()
    root, summary = read(record), record.document["summary"]
    selftest = len(record.document["selftest"]) + len(record.document["legal"])
    assert int(root.get("tests")) == sum(summary.values()) + selftest
    assert int(root.get("failures")) == summary["fail"] + 2  # one wrong variant was missed, one legal accused
    assert int(root.get("skipped")) == summary["unseen"] + summary["unsure"]
    assert int(root.get("errors")) == 0
    for suite in root:
        assert int(suite.get("tests")) == len(suite.findall("testcase"))
        assert int(suite.get("failures")) == len(suite.findall("testcase/failure"))
        assert int(suite.get("skipped")) == len(suite.findall("testcase/skipped"))


def test_a_failure_carries_all_that_is_needed_to_look_into_it():
    failure = cases_of(read(sample_record()), "noisy-coils")["BUS-ACK board"].find("failure")
    assert failure.get("message") == "fail: broken 3 of 1877, worst 6.21 ms, limit at most 5 ms"
    assert failure.get("type") == "BUS-ACK"
    for part in (
        "limit: at most 5 ms",
        "margin: -1.21 ms",
        "uncertainty: 0.05 ms",
        "source: MDB/ICP 4.3 §3 (confidence A)",
        "at 12.104371 s, frame 1207: board: ACK (100) 6.21 ms after changer: 003 150 153*",
        "again: benchsim check shop.toml --test board --case noisy-coils --seed 7",
    ):
        assert part in failure.text


def test_pass_unseen_and_warn():
    root = read(sample_record())
    plain = cases_of(root, "plain-sale")
    assert len(plain["BUS-ACK board"]) == 0
    assert plain["SYS-DOOR board"].find("skipped").get("message") == "unseen: the door was never opened"
    warned = cases_of(root, "slow-reader")["BUS-POLL-RATE board"]
    assert [child.tag for child in warned] == ["system-out"]
    assert "worst 231 ms, limit 25 to 200 ms" in warned.find("system-out").text


@pytest.mark.parametrize(("option", "tag"), [("skipped", "skipped"), ("failure", "failure")])
def test_unsure_is_what_the_reader_of_the_file_wants_it_to_be(option, tag):
    root = read(unsure_record(), unsure=option)
    found = cases_of(root, "power-cut")["BUS-SETTLE board"]
    assert [child.tag for child in found] == [tag]
    assert (
        found[0]
        .get("message")
        .startswith("unsure: checked 2 times, too near its limit to tell, worst 200.4 ms")
    )
    assert int(root.get("failures")) == (option == "failure")


def test_a_missed_wrong_variant_is_a_failure():
    found = cases_of(read(sample_record()), "self-test")
    assert found["swallows-tag BUS-REPEAT"].find("failure") is not None
    assert found["late-ack BUS-ACK"].find("failure") is None
    assert "self-test" not in [suite.get("name") for suite in read(unsure_record())]


def test_verdicts_of_no_case_stand_under_the_whole_run():
    record = Record(document([verdict("SYS-PRESENT", "fail", None, 1, 1)]), replay="benchsim check")
    failure = cases_of(read(record), "whole run")["SYS-PRESENT board"].find("failure")
    assert "again: benchsim check" in failure.text


def test_a_case_with_no_verdicts_is_still_told():
    record = clean_record()
    record.cases.append(CaseNote("quiet", "Nothing happens.", "board", 1.0, "benchsim check --case quiet"))
    suite = read(record).find("testsuite[@name='quiet']")
    assert suite.get("tests") == "0"
    properties = {each.get("name"): each.get("value") for each in suite.find("properties")}
    assert properties["provokes"] == "Nothing happens."
    assert properties["seed"] == "7"


def hostile_record(text):
    at = [{"time_s": 1.0, "frame": 1, "text": text}]
    return Record(
        document=document(
            [
                verdict("BUS-ACK", "fail", text, 1, 1, at=at, source=text),
                verdict("BUS-GAP", "unseen", text, why=text),
            ]
        ),
        cases=[CaseNote(text, text, "board", 1.0, text, [text])],
    )


def test_hostile_text_stays_text():
    root = read(hostile_record(HOSTILE))
    failure = root.find("testsuite/testcase/failure")
    assert len(failure) == 0
    assert "]]><b>&amp;\\x00\\x1b[31m\\x0b\\ud800\\ufffe\"'</failure>" in failure.text


@settings(max_examples=60, deadline=None)
@given(st.text(max_size=40))
def test_any_text_makes_valid_xml(text):
    root = read(hostile_record(text))
    assert len(root.findall("testsuite/testcase")) == 2
    assert len(root.findall("testsuite/testcase/failure")) == 1


def test_same_record_same_bytes():
    assert written(sample_record()) == written(sample_record())
