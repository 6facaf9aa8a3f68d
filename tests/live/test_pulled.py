"""An adapter that is pulled in a live run and comes back: told, not held against anybody, nothing hangs."""

import io
import threading

from benchsim.cli.live_view import Plain
from benchsim.live import ports
from benchsim.live.seating import seat_all
from benchsim.live.session import Plan, Session
from benchsim.schema import load_book
from benchsim.settings import Settings


def played(adapter, monkeypatch, tmp_path, comes_back, seconds, *more):
    book, said = load_book(), io.StringIO()
    seating = seat_all(book, (), [f"bus:changer=pair:{adapter.path}", *more], ())
    session = Session(Settings(), book, 1, seating, Plan(seconds), [tmp_path / "live.pcapng"], [Plain(said)])
    timers = [threading.Timer(0.7, adapter.pull)] + ([threading.Timer(1.5, adapter.push)] if comes_back else [])
    opened = ports.open_port

    def opening(*arguments):
        port = opened(*arguments)
        for timer in timers:
            if timer.ident is None:  # from the opening on: a busy machine may take long to begin
                timer.start()
        return port

    monkeypatch.setattr(ports, "open_port", opening)
    try:
        assert session.run() is False
    finally:
        for timer in timers:
            if timer.ident is not None:
                timer.join()
    return session, session.judged(), said.getvalue()


def test_it_comes_back(adapter, monkeypatch, tmp_path):
    session, (result,), said = played(adapter, monkeypatch, tmp_path, True, 3.5)
    assert "bus link of changer" in said and "is lost" in said and "is back" in said
    assert any("the bus link of changer was away from" in note for note in result.notes)
    unseen = [v for v in result.verdicts if v.outcome == "unseen" and v.rule.startswith("BUS-")]
    assert unseen and all("was away from" in v.why for v in unseen)
    assert len(session.recordings[0].gone.all) == 1


def test_it_stays_away(adapter, monkeypatch, tmp_path):
    session, (result,), said = played(adapter, monkeypatch, tmp_path, False, 2)
    assert "is lost" in said and "is back" not in said
    assert [link for link, *_ in session.recordings[0].gone.all] == ["bus"]


def test_it_is_pulled_from_a_bench_that_stands_between(adapter, monkeypatch, tmp_path):
    """Only the end of the adapter was away; the other one was measured all the time."""
    session, results, said = played(adapter, monkeypatch, tmp_path, True, 2.5, "bus:board=pair-pty")
    assert "bus link of changer" in said and "is lost" in said and "is back" in said
    ends = {one.end: one for one in session.recordings}
    assert len(ends["changer"].gone.all) == 1 and not ends["board"].gone.all
    assert {result.subject for result in results} == {"board", "changer"}
