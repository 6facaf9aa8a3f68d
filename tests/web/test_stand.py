"""One bench for all who look on: its pace, its hands, its memory."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchsim.bench import Bench
from benchsim.clock.stepped import SteppedClock
from benchsim.errors import UsageError
from benchsim.schema import load_book
from benchsim.settings import Settings, load_settings
from benchsim.web import hands
from benchsim.web.explain import explain
from benchsim.web.picture import machine
from benchsim.web.stand import Stand

BOOK = load_book()
COINS = [5, 10, 20, 50, 100, 200]  # the demo changer's, minor units


def goes(stand, seconds):
    """So much bench time passes, whatever the computer's speed."""
    end = stand.picture()["time_s"] + seconds
    while stand.picture()["time_s"] < end - 1e-6:
        stand.advance((end - stand.picture()["time_s"]) / stand.speed)


@pytest.fixture
def stand():
    made = Stand(Settings(), BOOK, 1)
    goes(made, 3)
    yield made
    made.close()


def test_it_starts_up_and_sells_to_a_person(stand):
    assert stand.picture()["message"] == "Choose a product"
    for _ in range(2):
        assert stand.act("coin", COINS.index(100)) == "coin 1.00 put in"
        goes(stand, 1)
    assert stand.picture()["credit"] == 200
    price = stand.picture()["prices"][1 * 8 + 2]
    stand.act("tap", 1, 2)
    goes(stand, 1)
    assert stand.picture()["turning"] == [[1, 2]]
    goes(stand, 4)
    picture = stand.picture()
    assert picture["tray"]["products"] == 1 and picture["turning"] == []
    assert picture["credit"] == 200 - price
    stand.act("take")
    assert stand.picture()["tray"] == {"products": 0, "coins": 0}
    assert stand.findings() == []


def test_the_lever_gives_the_money_back(stand):
    stand.act("coin", COINS.index(200))
    goes(stand, 1)
    stand.act("lever")
    goes(stand, 5)
    assert stand.picture()["tray"]["coins"] == 200 and stand.picture()["credit"] == 0


def test_a_paused_bench_stands_still_and_steps(stand):
    stand.paused = True
    before = stand.picture()["time_s"]
    stand.advance(5)
    assert stand.picture()["time_s"] == before
    stand.step(0.1)
    assert stand.picture()["time_s"] == pytest.approx(before + 0.1)
    spoken = stand.strip.first + len(stand.strip.bursts)
    stand.step_exchange()
    assert stand.strip.first + len(stand.strip.bursts) > spoken and stand.paused


def test_speed_is_bench_time_over_time_of_the_wall(stand):
    before = stand.picture()["time_s"]
    stand.speed = 0.1
    stand.advance(1)
    assert stand.picture()["time_s"] == pytest.approx(before + 0.1)


def test_what_was_can_be_looked_at_again(stand):
    shown = stand.picture()["time_s"]
    stand.act("coin", COINS.index(50))
    goes(stand, 3)
    assert stand.moment_at(shown - 0.3)["credit"] == 0
    assert stand.moment_at(shown + 2)["credit"] == 50
    assert stand.moment_at(-1) == stand.moments[0]


def test_an_exchange_is_told_in_words_with_its_limit(stand):
    end = stand.picture()["time_s"]
    asked = [p for p in stand.strip.since(0) if p.link == "kit" and p.out and p.start_s > end - 1][-1]
    told = explain(stand.strip, BOOK, "kit", asked.start_s)
    assert [one.who for one in told.said][:2] == ["host", "board"]
    assert told.said[0].text.startswith("POLL") and "<svg" in told.drawing and "within 20 ms" in told.drawing
    assert explain(stand.strip, BOOK, "kit", end + 1000) is None


def test_broken_words_are_marked(stand):
    line = stand.bench.lines["kit"]

    def flip(burst):
        return burst if burst.out else burst._replace(words=(*burst.words[:-2], burst.words[-2] ^ 1, burst.words[-1]))

    line.hurts.append(flip)
    goes(stand, 2)
    wrong = [p for p in stand.strip.since(0) if p.wrong]
    assert wrong and {p.link for p in wrong} == {"kit"} and not any(p.out for p in wrong)
    assert any(v["rule"] == "KIT-FRAME" and v["outcome"] == "fail" for v in stand.findings())


def test_a_record_holds_everything(tmp_path):
    from benchsim.captures import open_capture

    path = tmp_path / "page.pcapng"
    stand = Stand(Settings(), BOOK, 1, path)
    goes(stand, 2)
    said = len(stand.strip.since(0, most=10**6))
    stand.close()
    kinds = [type(event).__name__ for event in open_capture(path).events()]
    assert kinds.count("Burst") == said


def test_memory_is_bounded():
    stand = Stand(Settings(rows=1, columns=1), BOOK, 1, keep=10)
    goes(stand, 60)
    assert stand.strip.first > 0, "what is older is forgotten"
    oldest = stand.strip.bursts[0]
    assert stand.clock.now() - oldest.end <= 11 * 72_000_000
    assert len(stand.moments) <= 40
    stand.close()


def test_the_same_bench_from_its_power_on_again(stand):
    first = Stand(Settings(), BOOK, 1)
    goes(first, 2)
    stand.act("coin", 3)
    stand.renew()
    goes(stand, 2)
    assert stand.strip.since(0) == first.strip.since(0) and stand.picture() == first.picture()
    first.close()


values = st.lists(st.one_of(st.integers(), st.booleans(), st.none(), st.text(max_size=3)), max_size=3)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.sampled_from([*hands.ACTS, "take", "start", ""]), values), max_size=6))
def test_no_words_from_a_browser_break_the_bench(acts):
    stand = Stand(Settings(rows=2, columns=2), BOOK, 1)
    for name, given_values in acts:
        assert isinstance(stand.act(name, *given_values), str)
    stand.clock.advance(stand.clock.now() + 72_000_00)
    stand.close()


@pytest.mark.parametrize("name, value, told", [
    ("coin", (99,), "coin: expected 0 to 15"),
    ("coin", (True,), "coin: expected 0 to 15"),
    ("coin", (), "coin: expected 0 to 15"),
    ("tap", (6, 0), "tap: expected 0 to 5, 0 to 7"),
    ("lever", (1,), "lever: expected no value"),
    ("rm -rf", (), "'rm -rf': no such act, expected one of "),
])  # fmt: skip
def test_wrong_acts_are_told_in_a_line(stand, name, value, told):
    assert stand.act(name, *value).startswith(told)


def test_a_fault_shows_and_ends(stand):
    assert stand.switch("changer-unplugged") == "Harness of the coin changer unplugged: begins"
    goes(stand, 2)
    assert stand.picture()["faults"] == ["changer-unplugged"]
    assert stand.picture()["seats"]["changer"].startswith("no supply")
    stand.switch("changer-unplugged")
    goes(stand, 20)
    assert stand.picture()["faults"] == [] and stand.picture()["seats"]["changer"] == "on"
    stand.act("coin", COINS.index(100))
    goes(stand, 1)
    assert stand.picture()["credit"] == 100


def test_a_fault_that_cannot_be_is_told_and_is_not_there():
    stand = Stand(Settings(seats={"cashless2": {}}), BOOK, 1)
    assert stand.switch("two-readers-one-address").endswith("expected one without")
    assert stand.picture()["faults"] == []
    goes(stand, 0.5)
    told = [h.data["on"] for h in stand.strip.happenings if h.kind == "fault"]
    assert told == [True, False]
    stand.close()


def test_every_card_can_be_switched_on_and_off(stand):
    assert len(stand.cards) > 40
    for card in stand.cards:
        assert stand.switch(card.id).endswith("begins"), card.id
        goes(stand, 0.3)
        assert stand.switch(card.id).endswith("ended"), card.id
    assert stand.switch("no-such-card") == "'no-such-card': no such card at this bench"


def test_a_device_that_is_not_there_cannot_be_used(tmp_path):
    path = tmp_path / "bench.toml"
    path.write_text("[seats.validator]\nfitted = false\n")
    stand = Stand(load_settings(path), BOOK, 1)
    assert stand.act("bill", 0) == "bill: no validator is simulated at this bench"
    assert stand.bills == []
    stand.close()


@pytest.mark.parametrize("seat", ["host", "board", "panel", "auditor", "changer", "validator", "cashless1"])
def test_a_picture_whoever_is_real(seat):
    bench = Bench(Settings(), BOOK, SteppedClock(), 1, "real", frozenset((seat,)))
    bench.power_on()
    bench.clock.advance(3 * 72_000_000)
    picture = machine(bench)
    assert json.loads(json.dumps(picture)) == picture
    assert picture["coils_seen"] == (seat != "board")
    for name, act in hands.ACTS.items():
        if act.seat == seat:
            with pytest.raises(UsageError, match=f"no {seat} is simulated at this bench"):
                hands.act(bench, name, [])


def test_selections_have_a_letter_and_a_number():
    assert [hands.selection(*where) for where in ((0, 0), (1, 2), (15, 15))] == ["A1", "B3", "P16"]
