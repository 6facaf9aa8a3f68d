"""An adapter that is pulled while a plan is played: told, not judged, and the plan goes on to its end."""

import threading

import pytest

from benchsim.checks import plans, real_plan
from benchsim.checks.real_plan import RealPlan
from benchsim.errors import UsageError
from benchsim.schema import load_book
from benchsim.settings import Settings

FIRST = "start-up-level-2"


def played(adapter, monkeypatch, *names, comes_back):
    """The plan of the changer with nobody at the adapter; it is pulled soon after the first case began."""
    monkeypatch.setattr(real_plan, "COMES_BACK", comes_back)
    plan = plans.plan_of("changer")
    runner = RealPlan(Settings(), load_book(), 1, plan, {"bus": f"pair:{adapter.path}"})
    pulling = threading.Timer(0.5, adapter.pull)
    opened = real_plan.open_port

    def opening(*arguments):
        port = opened(*arguments)
        if pulling.ident is None:  # not by the clock on the wall: a busy machine may take long to begin
            pulling.start()
        return port

    monkeypatch.setattr(real_plan, "open_port", opening)
    try:
        results, interrupted = runner.run([(plan, plan.cases[name]) for name in names], lambda result: None)
    finally:
        if pulling.ident is not None:
            pulling.join()
    assert not interrupted
    return {result.name: result for result in results}


def outcomes(result):
    return {verdict.outcome for verdict in result.verdicts}


def test_a_case_in_which_it_was_pulled_is_not_judged_nor_is_what_comes_after(adapter, monkeypatch):
    first, second = FIRST, "polling"
    results = played(adapter, monkeypatch, first, second, comes_back=0.1)
    assert outcomes(results[first]) == outcomes(results[second]) == {"unseen"}
    assert "the adapter of the bus link was pulled during this case" in results[first].notes
    (gone,) = [e for e in results[first].events if getattr(e, "kind", "") == "port"]
    assert gone.data["link"] == "bus" and gone.data["there"] is False
    assert any("not there any more" in note and "no such device" in note for note in results[second].notes)


def test_one_that_was_never_there_is_bad_usage(adapter, monkeypatch):
    adapter.pull()
    with pytest.raises(UsageError, match="no such device"):
        played(adapter, monkeypatch, "polling", comes_back=0.1)
