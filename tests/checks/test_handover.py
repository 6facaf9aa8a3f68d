"""The commissioning: a good machine passes every step; a wrong board is caught by the step that is meant for it."""

import pytest

from benchsim.captures import open_capture
from benchsim.checks import handover, handover_host
from benchsim.checks.capture import write_capture
from benchsim.checks.handover_sheet import sheet
from benchsim.checks.host_variants import GivesUp
from benchsim.checks.plans import pick, plan_for
from benchsim.checks.recorded import judge_capture
from benchsim.checks.runner import play_virtual
from benchsim.errors import UsageError
from benchsim.seats.board import Board
from benchsim.settings import Settings, load_settings

NAMES = [*handover.FIRST, *handover.AGAIN]
SHORT = 75.0  # seconds to hold a temperature, where it is not what is looked at


@pytest.fixture
def short(monkeypatch):
    monkeypatch.setattr(handover, "HOLD", SHORT)


def commissioned(settings=None, make=None, subject=None, rules=None):
    settings = settings or Settings()
    plan = handover.PLANS[subject]
    result = play_virtual(settings, settings.book(), plan, handover.CASE, 1, {"board": make} if make else None, rules)
    steps = [e.data for e in result.events if getattr(e, "kind", "") == "step" and e.data["state"] != "begins"]
    return result, steps, {v.rule: v for v in result.verdicts}


def test_a_good_machine_passes_every_step():
    result, steps, told = commissioned()
    assert [(step["name"], step["state"]) for step in steps] == [(name, "ends") for name in NAMES]
    assert {v.outcome for v in result.verdicts} <= {"pass", "unseen"}
    for name in NAMES:
        assert all(told[rule].outcome == "pass" for rule in handover.STEPS[name].rules if rule != "SYS-COLD")
    assert not result.notes
    found = {(step["turn"], step["name"]): step["found"] for step in steps}
    assert found[1, "survey"] == found[2, "survey"] == "48 coils, 48 planned"
    assert found[1, "prices"] == "48 of 48 prices as listed"
    # demo prices: row 0, column 0 for 125; the other two are 16 and 32 positions on: rows 2 and 4
    assert [found[1, how] for how in handover.VENDS] == [
        "row 0, column 0 for 125", "row 2, column 0 for 175", "row 4, column 0 for 225",
    ]  # fmt: skip
    made = sheet([result])
    assert {step.outcome for step in made.steps} == {"pass"} and len(made.steps) == len(NAMES)
    assert made.setpoint == "3 °C, perishable" and [row[0] for row in made.grid] == [125, 150, 175, 200, 225, 125]
    assert sheet([]) is None
    assert found[1, "audit"] == "paid vends so far: 3 for 525" and found[2, "audit"] == "paid vends so far: 6 for 1050"


def test_the_board_alone_is_judged_where_it_is_under_test(short):
    result, steps, _ = commissioned(subject="board")
    assert len(steps) == len(NAMES)
    assert {v.judged for v in result.verdicts} == {"board"}


class FindsOneLess(Board):
    """Its survey overlooks a coil."""

    def _surveyed(self, found):
        super()._surveyed([found[0] & ~2, *found[1:]])


class TakesAnother(Board):
    """Keeps one price other than it was sent."""

    def _op_price_commit(self, request):
        told = super()._op_price_commit(request)
        self.memory.prices[9] += 5
        return told


class ForgetsSetpoint(Board):
    """Its set-point is lost with the supply."""

    def power_on(self, *args, **more):
        self.memory.setpoint = (0, 0)
        super().power_on(*args, **more)


class ForgetsSurvey(Board):
    """After a loss of power it takes every position for one with a coil."""

    def power_on(self, *args, **more):
        self.memory.survey = None
        super().power_on(*args, **more)


class ForgetsPrices(Board):
    """Its prices are lost with the supply."""

    def power_on(self, *args, **more):
        self.memory.prices = None
        super().power_on(*args, **more)


class _Counts(Board):
    """Counts sales in its own way."""

    def __init__(self, *args, **more):
        super().__init__(*args, **more)
        books = self.memory.books
        count = books.sold
        books.sold = lambda item, cash, card: self.counted(count, item, cash, card)


class CountsNoCards(_Counts):
    """What was paid by card is not counted."""

    def counted(self, count, item, cash, card):
        if not card:
            count(item, cash, card)


class SellsNothing(Board):
    """Takes every VEND and turns no coil."""

    def __init__(self, *args, **more):
        super().__init__(*args, **more)
        self.coils.turn = lambda *args: None


MISSING = {"missing": [(3, 2)]}
WRONG = [
    (FindsOneLess, "SYS-SURVEY", "row 0, column 1: no coil", {}, ("survey", "kept")),
    (TakesAnother, "SYS-PRICES", "position 9: ", {}, ("prices", "kept")),
    (ForgetsSetpoint, "SYS-SETPOINT", "set to 3.0, coldest", {}, ("hold",)),
    (CountsNoCards, "AUD-SOLD", "VA1 tells 2 for", {}, ("audit",)),
    (ForgetsPrices, "SYS-HANDOVER", "kept: the board does not tell its prices", {}, ("kept",)),
    (ForgetsSurvey, "SYS-SURVEY", "row 3, column 2: a coil", MISSING, ("kept",)),
    (SellsNothing, "SYS-HANDOVER", "coin: nothing was delivered after the tap", {}, handover.VENDS),
]  # fmt: skip


@pytest.mark.parametrize(("make", "rule", "words", "more", "named"), WRONG, ids=[one[0].__name__ for one in WRONG])
def test_a_wrong_board_is_caught(make, rule, words, more, named, monkeypatch):
    if rule != "SYS-SETPOINT":
        monkeypatch.setattr(handover, "HOLD", SHORT)
    result, steps, told = commissioned(Settings(**more), make, rules=(rule,))
    assert told[rule].outcome == "fail"
    failed = {step.title for step in sheet([result]).steps if step.outcome == "fail"}
    assert failed == {handover.STEPS[name].title for name in named}
    assert any(words in place.text for place in told[rule].at), [place.text for place in told[rule].at]


def test_a_coil_that_is_planned_and_not_there_is_found(short):
    planogram = ["XXXXXXXX"] * 6
    _, _, told = commissioned(Settings(missing=[(3, 2)], planogram=planogram), rules=("SYS-SURVEY",))
    assert told["SYS-SURVEY"].outcome == "fail"
    assert "row 3, column 2: no coil" in told["SYS-SURVEY"].at[-1].text
    planogram[3] = "XX.XXXXX"
    settings = Settings(missing=[(3, 2)], planogram=planogram)
    assert settings.prices[3 * 8 + 2] == 0xFFFF  # no coil, not for sale
    assert commissioned(settings, rules=("SYS-SURVEY",))[2]["SYS-SURVEY"].outcome == "pass"


def test_what_a_machine_does_not_have_is_skipped_and_said(short):
    settings = Settings(kit="fenced", seats={"validator": {"fitted": False}})
    result, steps, told = commissioned(settings)
    skipped = {step["name"]: step["found"] for step in steps if step["state"] == "skipped"}
    assert skipped["bill"] == "no validator stands on this bench"
    assert skipped["survey"] == "this link has no SURVEY" and skipped["prices"] == "this link has no PRICE-READ"
    assert told["SYS-HANDOVER"].outcome == told["AUD-SOLD"].outcome == "pass"


def host_commissioned(**classes):
    settings = Settings()
    result = play_virtual(settings, settings.book(), handover_host.PLAN, handover_host.CASE, 1, classes)
    return result, sheet([result]), {v.rule: v.outcome for v in result.verdicts}


def test_a_good_host_passes_every_step():
    result, made, told = host_commissioned()
    assert {v.judged for v in result.verdicts} == {"host"}
    assert [step.outcome for step in made.steps] == ["pass"] * len([*handover_host.FIRST, *handover_host.AGAIN])
    assert told["SYS-HANDOVER"] == "pass" and set(told.values()) <= {"pass", "unseen"}
    assert made.steps[0].found == "48 prices from 125 to 225, 48 of 48 as in the bench file"


def test_a_host_that_does_not_come_back_is_caught():
    _, made, told = host_commissioned(host=GivesUp)
    assert told["SYS-HANDOVER"] == "fail"
    again = [step for step in made.steps if step.turn == 2 and step.title == handover_host.STEPS["host-start"].title]
    assert [step.outcome for step in again] == ["fail"] and again[0].found == "the host never opened the sale"
    assert {step.outcome for step in made.steps if step.turn == 1} == {"pass"}


def test_a_recorded_one_gives_the_same_sheet(tmp_path):
    result, made, _ = host_commissioned(host=GivesUp)
    write_capture(tmp_path / "c.pcapng", [result])
    again = judge_capture(open_capture(tmp_path / "c.pcapng"), Settings().book())
    assert sheet(again) == made and not made.real
    assert len(again[0].events) < 100  # of thousands: the rest was not kept
    begins = next(event for event in result.events if getattr(event, "kind", "") == "case")
    begins.data["real"] = True
    write_capture(tmp_path / "c.pcapng", [result])
    assert sheet(judge_capture(open_capture(tmp_path / "c.pcapng"), Settings().book())).real


def test_it_is_played_by_its_name_alone():
    names = [case.name for _, case in plan_for(None)]
    assert handover.NAME not in names
    for seat in (None, "board", "host"):
        ((plan, case),) = pick(plan_for(seat, [handover.NAME]), [handover.NAME])
        assert (plan.seat, case.name) == (seat, handover.NAME)
    with pytest.raises(UsageError, match="--case commissioning: no such case, expected one"):
        pick(plan_for("changer", [handover.NAME]), [handover.NAME])


@pytest.mark.parametrize("given", ['["XX"]', '"X"', '["XXX", "XX."]', '["XX", "XY"]', "[1, 2]"])
def test_a_planogram_that_is_none_is_told(tmp_path, given):
    path = tmp_path / "b.toml"
    path.write_text(f"[machine]\nrows = 2\ncolumns = 2\nplanogram = {given}\n")
    with pytest.raises(UsageError, match="machine.planogram: expected"):
        load_settings(path)
    path.write_text('[machine]\nrows = 2\ncolumns = 2\nplanogram = ["X.", "XX"]\n')
    assert load_settings(path).unplanned == {(0, 1)}
