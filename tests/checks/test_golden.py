"""A saved run: tolerant of legal timing, and nothing else. The frames are from the kit link reference, built by hand."""

import json

import pytest

from benchsim.checks.golden import differences, read_golden, structure, write_golden
from benchsim.checks.plans import PLANS
from benchsim.checks.result import CaseResult
from benchsim.checks.runner import play_virtual
from benchsim.errors import UsageError
from benchsim.events import Burst, Happening
from benchsim.schema import load_book
from benchsim.seats.host import Host
from benchsim.settings import Settings

BOOK = load_book()


def played(case: str = "sale-coin", seed: int = 1, make: type = Host, seat: str = "host") -> CaseResult:
    plan = PLANS[seat]
    return play_virtual(Settings(), BOOK, plan, plan.cases[case], seed, {"host": make})


@pytest.fixture(scope="module")
def sale() -> CaseResult:
    return played()


def told(rows: list[dict]) -> list[tuple[str, str]]:
    return [(row["kind"], row["step"]) for row in rows]


def test_what_is_kept_is_what_was_asked_and_answered(sale):
    """Order of the start-up and of a sale: kit link reference."""
    (parties,) = structure([sale], BOOK).values()
    assert list(parties) == ["host"]
    names = [step.split(" ")[0].rstrip(":") for step in parties["host"]["steps"]]
    assert names == ["RESET", "IDENT", "SETPOINT", "PRICE-BEGIN", "PRICE-PART", "PRICE-COMMIT", "OPEN-SALE", "VEND"]
    assert parties["host"]["steps"][-1] == "VEND row 0, column 0, price 125: ok"
    assert parties["host"]["routine"] == ["CLOCK: ok", "POLL: ok"]


@pytest.mark.parametrize("seat", ["host", "board", "changer"])
def test_the_same_plan_with_another_seed_is_the_same_run(seat):
    case = {"host": "sale-coin", "board": "sale-coin", "changer": "coins"}
    case = case[seat] if case[seat] in PLANS[seat].cases else next(iter(PLANS[seat].cases))
    first, second = (played(case, seed, seat=seat) for seed in (1, 2))
    assert structure([first], BOOK)
    assert differences(structure([first], BOOK), [second], BOOK) == []


class Slow(Host):
    """Polls as slowly as it may and starts later: legal."""

    def power_on(self):
        super().power_on()
        self._next_reset += 72_000_000 * 3 // 10

    def _got_poll(self, *answer):
        self._next_poll += 72_000_000 // 10
        super()._got_poll(*answer)


def test_legal_timing_makes_no_difference(sale):
    slow = played(make=Slow)
    assert sum(b.sender == "host" for b in slow.events if type(b) is Burst) < sum(b.sender == "host" for b in sale.events if type(b) is Burst)
    assert differences(structure([sale], BOOK), [slow], BOOK) == []


class Curious(Host):
    """Reads the prices back once the sale is open, and tells no time."""

    def _got_open_sale(self, status, fields, now):
        super()._got_open_sale(status, fields, now)
        self._next_clock = now + 72_000_000 * 10_000
        self.todo.append(("PRICE-READ", {"first": 0, "n": 3}))


def test_what_is_new_and_what_is_missing_is_told_with_its_place(sale):
    rows = differences(structure([sale], BOOK), [played(make=Curious)], BOOK)
    assert told(rows) == [("new", "PRICE-READ first 0, n 3: ok"), ("missing", "CLOCK: ok, as a routine")]
    assert (rows[0]["case"], rows[0]["party"], rows[0]["after"], rows[0]["sure"]) == ("host: sale-coin", "host", "OPEN-SALE: ok", True)


class Turned(Host):
    """Asks who the board is after it has sent the prices."""

    def _got_price_commit(self, status, fields, now):
        self.todo += [("SURVEY-READ", {"first": 0}), ("OPEN-SALE", {})]


class TurnedRound(Turned):
    """The same after the sale is open."""

    def _got_price_commit(self, status, fields, now):
        self.todo += [("OPEN-SALE", {}), ("SURVEY-READ", {"first": 0})]


def test_what_moved_is_told_as_moved():
    (row,) = differences(structure([played(make=Turned)], BOOK), [played(make=TurnedRound)], BOOK)
    assert row["kind"] == "moved" and row["step"].split(" ")[0].rstrip(":") in ("SURVEY-READ", "OPEN-SALE")


def test_a_stall_of_the_benchs_own_computer_leaves_a_difference_unsure(sale):
    other = played(make=Curious)
    other.events.append(Happening(other.end, "bench", "late", {"us": 30_000}))
    assert {row["sure"] for row in differences(structure([sale], BOOK), [other], BOOK)} == {False}


def test_a_case_that_is_not_in_the_saved_run_is_told_and_one_not_played_is_not(sale):
    saved = structure([sale], BOOK)
    assert told(differences(saved, [played("polling")], BOOK)) == [("new case", "")]
    assert differences(saved | {"host: other": {}}, [sale], BOOK) == []


def test_a_file_keeps_the_cases_that_were_not_played(tmp_path, sale):
    path = tmp_path / "golden.json"
    write_golden(path, structure([played("polling")], BOOK))
    write_golden(path, structure([sale], BOOK))
    assert list(read_golden(path)) == ["host: polling", "host: sale-coin"]
    assert differences(read_golden(path), [sale, played("polling", 3)], BOOK) == []


@pytest.mark.parametrize(("text", "expected"), [(None, "--write-golden"), ("{", "no JSON"), ("[]", "saved run"), (json.dumps({"golden": 99, "cases": {}}), "saved run")])
def test_a_file_that_is_no_saved_run_is_told(tmp_path, text, expected):
    path = tmp_path / "golden.json"
    if text is not None:
        path.write_text(text)
    with pytest.raises(UsageError, match=expected):
        read_golden(path)
