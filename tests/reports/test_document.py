"""The JSON document: the contract's keys in its order, sensible numbers, the same bytes each time."""

import io
import json
from copy import deepcopy

import pytest
from sample_record import clean_record, sample_record, untested_record, verdict

from benchsim.reports import Record, write_json


def told(record):
    stream = io.StringIO()
    write_json(record, stream)
    return stream.getvalue()


# The contract of `--json`, spelled out here once more on purpose.
TOP = ["tool", "subject", "seed", "duration_s", "frames", "verdicts", "selftest", "legal", "waivers", "golden", "about", "links",
       "summary", "outcome"]  # fmt: skip
VERDICT = [
    "rule", "judged", "outcome", "checked", "broken", "worst", "limit", "unit", "margin", "uncertainty",
    "confidence", "source", "why", "case", "at",
]  # fmt: skip


def test_keys_stand_in_the_order_of_the_contract():
    read = json.loads(told(sample_record()))
    assert list(read) == TOP
    assert list(read["tool"]) == ["name", "version"]
    assert list(read["summary"]) == ["pass", "fail", "unsure", "unseen", "warn"]
    assert all(list(each) == VERDICT for each in read["verdicts"])
    places = [place for each in read["verdicts"] for place in each["at"]]
    assert len(places) == 6
    assert all(list(place) == ["time_s", "frame", "text"] for place in places)
    assert all(list(row) == ["variant", "seat", "rule", "caught", "seeds", "missed"] for row in read["selftest"])


def test_order_of_keys_does_not_depend_on_how_the_document_was_built():
    record = sample_record()
    record.document = dict(reversed(record.document.items()))
    record.document["verdicts"] = [dict(reversed(each.items())) for each in record.document["verdicts"]]
    assert told(record) == told(sample_record())


def test_ends_with_one_newline_and_is_indented_by_two():
    text = told(clean_record())
    assert text.startswith('{\n  "tool": {\n    "name": "benchsim"')
    assert text.endswith('"outcome": "pass"\n}\n')


def test_numbers_are_rounded_to_what_was_measured():
    found = verdict(
        "BUS-ACK", "fail", None, 3, 1, worst=6.2100000000000009, limit=5.0, margin=-1.2100000000000009,
        uncertainty=0.1 + 0.2, at=[{"time_s": 0.1 + 0.2, "frame": 3, "text": "late"}],
    )  # fmt: skip
    record = Record(sample_record().document | {"verdicts": [found], "duration_s": 1 / 3})
    read = json.loads(told(record))
    assert read["duration_s"] == 0.333333333
    one = read["verdicts"][0]
    assert (one["worst"], one["margin"], one["uncertainty"]) == (6.21, -1.21, 0.3)
    assert one["at"][0]["time_s"] == 0.3


def test_what_json_has_no_number_for_is_null_and_no_zero_is_negative():
    found = verdict("BUS-SILENT", "fail", None, 1, 1, worst=float("inf"), margin=-0.0, limit=[None, 5.0])
    read = json.loads(told(Record(sample_record().document | {"verdicts": [found]})))
    assert read["verdicts"][0]["worst"] is None
    assert str(read["verdicts"][0]["margin"]) == "0.0"
    assert read["verdicts"][0]["limit"] == [None, 5.0]


PARTS = {
    "document": lambda document: document,
    "tool": lambda document: document["tool"],
    "verdict": lambda document: document["verdicts"][0],
    "place": lambda document: document["verdicts"][0]["at"][0],
    "selftest": lambda document: document["selftest"][0],
    "legal": lambda document: document["legal"][0],
    "links": lambda document: document["links"][0],
    "summary": lambda document: document["summary"],
}


@pytest.mark.parametrize("part", PARTS)
@pytest.mark.parametrize("change", [lambda held: held.update(path="x"), lambda held: held.popitem()])
def test_a_key_too_many_or_too_few_is_refused(part, change):
    document = deepcopy(sample_record().document)
    document["verdicts"] = [each for each in document["verdicts"] if each["at"]]
    change(PARTS[part](document))
    with pytest.raises(ValueError, match="contract"):
        told(Record(document))


def test_selftest_is_null_where_there_was_none():
    read = json.loads(told(untested_record()))
    assert read["selftest"] is None
    assert read["outcome"] == "unsure"
    assert read["subject"] is None


def test_the_record_itself_is_left_as_it_was():
    record = sample_record()
    before = deepcopy(record.document)
    told(record)
    assert record.document == before


def test_hostile_text_survives_as_ascii():
    text = 'a"b\\c\n\x00\x1b[31m\u2028\ud800é'
    record = sample_record()
    record.document["verdicts"] = [verdict("BUS-ACK", "unseen", None, why=text)]
    written = told(record)
    assert written.isascii()
    assert json.loads(written)["verdicts"][0]["why"] == text
