"""What people see in a terminal, read back as plain text."""

import io

import pytest
from rich.console import Console
from sample_record import (
    CASES,
    clean_record,
    document,
    sample_record,
    unsure_record,
    untested_record,
    verdict,
)

from benchsim.reports import Record
from benchsim.reports.record import CaseNote
from benchsim.reports.rows import by_case
from benchsim.reports.practice import practice_of
from benchsim.reports.terminal import case_line, print_report


def shown(record, width=80, **options):
    stream = io.StringIO()
    print_report(Console(file=stream, width=width, color_system=None), record, **options)
    return stream.getvalue()


def line(text, *words):
    """The one line that has all of the words."""
    found = [each for each in text.splitlines() if all(word in each for word in words)]
    assert len(found) == 1, (words, found)
    return found[0]


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        ("BUS-ACK ", ["FAIL", "board", "3", "of", "3781", "6.21", "ms", "at", "most", "5", "ms"]),
        ("BUS-SETTLE ", ["?", "board", "0", "of", "2", "200.4", "ms", "at", "least", "200", "ms"]),
        ("BUS-POLL-RATE ", ["!", "board", "2", "of", "640", "231", "ms", "25", "to", "200", "ms"]),
        ("KIT-FRAME ", ["ok", "board", "0", "of", "3368"]),
    ],
)
def test_the_table_marks_every_rule_without_colour(rule, words):
    table = shown(sample_record()).split("FAIL BUS-ACK at board")[0]
    row = line(table, rule).split()
    row.remove(rule.strip())
    assert row == words


def test_a_rule_that_held_at_several_seats_is_one_row_until_all_is_wanted():
    seats = ("changer", "validator", "cashless1")
    found = [verdict("BUS-ANSWER", "pass", None, 10, judged=seat, worst=n / 4, limit=[None, 5.0], unit="ms",
                     margin=5.0 - n / 4) for n, seat in enumerate(seats, 4)]  # fmt: skip
    found.append(verdict("BUS-ANSWER", "fail", None, 10, 1, judged="cashless2"))
    row = line(shown(Record(document(found))), "BUS-ANSWER ", "seats").split()
    assert row == "ok BUS-ANSWER 3 seats 0 of 30 1.5 ms at most 5 ms".split()
    assert line(shown(Record(document(found))), "BUS-ANSWER ", "cashless2 ").split()[0] == "FAIL"
    every = shown(Record(document(found)), show_all=True)
    assert line(every, "BUS-ANSWER ", "validator ").split()[3:6] == ["0", "of", "10"]


def test_no_line_but_a_command_is_wider_than_the_terminal():
    for each in shown(sample_record()).splitlines()[:-1]:
        assert len(each) <= 80 or "again: " in each


def test_what_was_broken_is_told_with_its_evidence():
    text = shown(sample_record(), width=120)
    for part in (
        "FAIL BUS-ACK at board: Every good data block is answered ACK, RET or NAK within 5.0 ms.",
        "noisy-coils: broken 3 of 1877, worst 6.21 ms, at most 5 ms, doubt 0.05 ms",
        "source: MDB/ICP 4.3 §3 (confidence A)",
        "12.104371 s, frame 1207: board: ACK (100) 6.21 ms after changer: 003 150 153*",
        "again: benchsim check shop.toml --test board --case noisy-coils --seed 7",
    ):
        assert part in text
    assert "BUS-GAP at board" not in text  # it held: the table is enough


def test_only_the_heaviest_cases_are_told_in_full():
    found = [verdict("BUS-ACK", "fail", f"case-{n}", 5, 1, worst=6.0 + n, limit=[None, 5.0], unit="ms",
                     margin=-1.0 - n) for n in range(6)]  # fmt: skip
    text = shown(Record(document(found)))
    assert "and the same in 3 further cases" in text
    assert [each.split(":")[0].strip() for each in text.splitlines() if "broken 1 of 5" in each] == [
        "case-5", "case-4", "case-3",
    ]  # fmt: skip


def test_the_longest_names_fit_eighty_columns():
    found = verdict("SYS-PAID-OR-DELIVERED", "fail", None, 160448, 12, judged="satellite1", worst=1234.5,
                    limit=[None, 200.0], unit="ms")  # fmt: skip
    row = line(shown(Record(document([found]))), "SYS-PAID-OR-DELIVERED ", "160448", "ms")
    assert (
        row.split() == "FAIL SYS-PAID-OR-DELIVERED satellite1 12 of 160448 1234.5 ms at most 200 ms".split()
    )


def test_more_places_than_shown_are_counted():
    places = [{"time_s": 1.0 * n, "frame": n, "text": f"place {n}"} for n in range(10)]
    text = shown(Record(document([verdict("BUS-ACK", "fail", None, 10, 10, at=places)])))
    assert "place 2" in text
    assert "place 3" not in text
    assert "and 7 more in the report" in text


def test_unseen_rules_are_summed_up_by_reason_and_named_on_demand():
    text = shown(sample_record())
    assert "Not put to the test: 3 rules" in text
    assert "  1  the door was never opened" in text
    assert "SYS-DOOR" not in text
    every = shown(sample_record(), show_all=True)
    assert "the door was never opened: SYS-DOOR board" in every
    assert line(every, "SYS-DOOR  ").split()[:3] == ["-", "SYS-DOOR", "board"]


def test_the_selftest_has_a_table_of_its_own_with_the_missed_on_top():
    text = shown(sample_record())
    assert "Self-test: 3 of 4 wrong variants caught" in text
    missed = " ".join(line(text, "swallows-tag").split())
    assert missed == "MISSED swallows-tag, 3 seeds, missed with seed 8 changer BUS-REPEAT"
    assert "late-ack" not in text  # caught: listed only where all is wanted
    everything = shown(sample_record(), show_all=True)
    assert everything.index("swallows-tag") < everything.index("late-ack")
    assert "Self-test" not in shown(unsure_record())


def test_legal_variants_are_counted_and_the_accused_listed():
    text = shown(sample_record())
    assert "Odd but legal: 1 of 2 variants left alone" in text
    assert " ".join(line(text, "no-zeros").split()) == "ACCUSED no-zeros changer BUS-SHAPE in start-up, seed 8"
    assert "slow-and-legal" not in text
    assert "Odd but legal" not in shown(unsure_record())


def test_what_breaks_a_rule_in_practice_stands_below_it():
    text = " ".join(shown(sample_record()).split())
    known = practice_of("BUS-ACK")
    assert f"in practice: {known.breaks}" in text and f"look first at: {known.look}" in text
    assert "in practice" not in shown(clean_record())


@pytest.mark.parametrize(
    ("record", "word"),
    [
        (sample_record, "Failed"),
        (clean_record, "Passed"),
        (unsure_record, "Unsure"),
        (untested_record, "Unsure"),
    ],
)
def test_the_last_line_says_the_outcome_and_where_the_report_is(record, word):
    last = shown(record(), report="out/report.html").splitlines()[-1]
    assert last.startswith(f"{word}: ")
    assert last.endswith(" Report: out/report.html")
    assert "Report" not in shown(record()).splitlines()[-1]


def test_a_line_for_each_case_as_it_finishes():
    record, stream = sample_record(), io.StringIO()
    console = Console(file=stream, width=80, color_system=None)
    for note in CASES:
        case_line(console, note, by_case(record)[note.name])
    case_line(console, CASES[0], [])
    lines = [each for each in stream.getvalue().splitlines() if not each.startswith("  ")]
    assert lines[0].split() == ["ok", "plain-sale", "42", "s", "10", "pass,", "4", "unseen"]
    assert lines[1].startswith("!     slow-reader ")
    assert lines[3].startswith("FAIL  power-cut ")
    assert lines[3].endswith("1 fail, 1 unsure, 7 pass, 2 unseen")
    assert lines[4].startswith("-     plain-sale")
    assert lines[4].endswith("nothing to judge")
    assert len(lines) == 5


def test_colour_is_added_for_a_terminal_and_the_words_stay_the_same():
    plain, stream = shown(sample_record()), io.StringIO()
    console = Console(file=stream, width=80, force_terminal=True, color_system="standard", no_color=False)
    print_report(console, sample_record())
    coloured = stream.getvalue()
    assert "\x1b[" in coloured
    assert "\x1b[" not in plain


def test_hostile_text_is_neither_obeyed_nor_taken_for_markup():
    text = "[bold]x[/bold] \x1b]0;title\x07 :smile: \x9b31m"
    found = verdict("BUS-ACK", "fail", None, 1, 1, at=[{"time_s": 1.0, "frame": 1, "text": text}])
    out = shown(Record(document([found])), width=120)
    assert "[bold]x[/bold] \\x1b]0;title\\x07 :smile: \\x9b31m" in out


def test_a_console_that_knows_only_ascii_is_served():
    held = io.BytesIO()
    stream = io.TextIOWrapper(held, encoding="ascii")
    print_report(Console(file=stream, width=80, color_system=None), sample_record())
    stream.flush()
    assert b"FAIL" in held.getvalue()


def test_a_case_line_is_followed_by_what_else_is_to_be_known():
    console = Console(file=io.StringIO(), width=80)
    note = CaseNote("start-up", "nothing", "host", 2.0, "benchsim check", ("the program ended with status 1",))
    case_line(console, note, [])
    assert console.file.getvalue().splitlines()[1] == "      the program ended with status 1"
