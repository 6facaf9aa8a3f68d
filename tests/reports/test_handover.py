"""The hand-over sheet: what it says of each step, of a rehearsal, and what stands on it to be signed."""

import io
import re

import pytest
from sample_record import clean_record, sample_record

from benchsim.reports.folder import write_folder
from benchsim.reports.handover import BY_HAND, outcome, write_handover
from benchsim.reports.record import Handover, HandoverStep

GOOD = HandoverStep(1, "Coils counted", "pass", "48 coils, 48 planned", ("SYS-SURVEY",))
BAD = HandoverStep(2, "Prices <read>", "fail", "47 of 48", ("SYS-PRICES",))
NOT_HERE = HandoverStep(2, "Bill", "unseen", "no validator stands on this bench", ())


def page(steps, record=None, real=False, grid=((125, None),)):
    record = record or clean_record()
    record.handover = Handover(list(steps), [list(row) for row in grid], "3 °C, perishable", real)
    stream = io.StringIO()
    write_handover(record, stream)
    return stream.getvalue()


def words(html):
    return " ".join(re.sub(r"<style>.*?</style>|<[^>]+>", " ", html, flags=re.S).split())


def test_every_step_with_what_was_found():
    said = words(page([GOOD, BAD, NOT_HERE]))
    assert "As it was found ✓ ok Coils counted 48 coils, 48 planned" in said
    assert "After mains off and on × FAIL Prices &lt;read&gt; 47 of 48 – not here Bill no validator stands" in said
    assert "× Not ready" in said


def test_a_machine_without_faults():
    said = words(page([GOOD, NOT_HERE]))
    assert "✓ All steps passed No rule of the bench was broken." in said


def test_what_else_was_broken_is_named():
    assert "The bench report has more that needs a look: " in words(page([GOOD], sample_record()))


@pytest.mark.parametrize(("real", "told"), [(False, True), (True, False)])
def test_a_rehearsal_says_so(real, told):
    assert ("Nothing real was tested" in page([GOOD], real=real)) == told


def test_there_is_room_to_write_and_nothing_is_left_out():
    said = words(page([GOOD]))
    for line in (*BY_HAND, "Handed over by", "Taken over by", "signature", "machine and place"):
        assert line in said
    for caution in ("34 V", "Mains off", "compressor", "Coils move", "Food kept cold", "Local codes"):
        assert caution in said
    assert "125 –" in said  # the price list: what has no coil has a dash


def test_outcomes():
    assert outcome([GOOD, NOT_HERE]) == "pass" and outcome([GOOD, BAD]) == "fail" and outcome([NOT_HERE]) == "unseen"


def test_it_stands_beside_the_report_where_a_machine_was_commissioned(tmp_path):
    record = clean_record()
    assert "handover.html" not in [path.name for path in write_folder(record, tmp_path / "a")]
    record.handover = Handover([GOOD], [[125]], "3 °C, perishable", True)
    assert "handover.html" in [path.name for path in write_folder(record, tmp_path / "b")]
    assert (tmp_path / "b" / "handover.html").read_text("utf-8") == page([GOOD], grid=[[125]], real=True)
