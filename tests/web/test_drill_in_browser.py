"""A whole drill at the page, right and wrong, driven like a person; the dictionary is made by hand."""

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from benchsim.sweeps.dictionary import Dictionary

from .conftest import PATIENT, press

DEVICES = ("changer", "validator")
RUNS = dict.fromkeys(["healthy", *(f"{one}-unplugged" for one in DEVICES)], 10)
SEEN = {
    "healthy": {f"device.{one}": {"ready": 10} for one in DEVICES},
    **{f"{out}-unplugged": {f"device.{one}": {"never told" if one == out else "ready": 10} for one in DEVICES} for out in DEVICES},
}


@pytest.fixture(scope="module")
def place(serving, tmp_path_factory):
    folder = tmp_path_factory.mktemp("drills")
    Dictionary({"seeds": "by hand"}, RUNS, SEEN, 10.0).save(folder / "dictionary.json")
    return serving("--book", str(folder / "book.sqlite"), "--dictionary", str(folder / "dictionary.json"))


@pytest.fixture
def trainee(blank):
    return blank


def begin(page, place, nickname):
    page.goto(f"{place.url.rstrip('/')}/drill?as={nickname}")
    press(page, "begin or go on")
    page.get_by_text("You have 20 minutes").wait_for()


def steps(page):
    return page.get_by_role("table", name="steps")


def told(page):
    return page.locator(".debrief")


def test_right_after_a_reload_in_the_middle(trainee, place):
    begin(trainee, place, "ida")
    press(trainee, "the device list on the service page")
    expect(steps(trainee)).to_contain_text(": never told", timeout=PATIENT)
    trainee.reload()
    expect(steps(trainee)).to_contain_text(": never told", timeout=PATIENT)
    out = next(one for one in DEVICES if f"{one}: never told" in steps(trainee).inner_text())
    expect(trainee.get_by_text("1 of 20 minutes")).to_be_visible(timeout=PATIENT)
    trainee.get_by_label("card", exact=True).select_option(f"{out}-unplugged")
    press(trainee, "name it as the cause")
    expect(told(trainee)).to_contain_text("100 points. Right.", timeout=PATIENT)
    trainee.reload()  # the drill is over: none is begun unasked
    expect(trainee.get_by_label("nickname")).to_have_value("ida", timeout=PATIENT)
    trainee.get_by_role("link", name="for mentors").click()
    expect(trainee.get_by_role("table", name="progress")).to_contain_text("1 of 1", timeout=PATIENT)
    lines = trainee.request.get(f"{place.url.rstrip('/')}/results.csv").text().splitlines()
    assert lines[0].startswith("number,nickname") and lines[1].startswith("1,ida,")


def test_wrong_with_a_caution_on_the_way(trainee, place):
    begin(trainee, place, "otto")
    press(trainee, "test sales by coin, bill and card")
    expect(trainee.get_by_role("alert")).to_contain_text("Coils turn without looking", timeout=PATIENT)
    press(trainee, "go on as it is")
    expect(trainee.get_by_text("4 of 20 minutes")).to_be_visible(timeout=PATIENT)
    trainee.get_by_label("card", exact=True).select_option("coil-jammed")
    press(trainee, "name it as the cause")
    expect(told(trainee)).to_contain_text("0 points. Not it.", timeout=PATIENT)
    expect(told(trainee)).to_contain_text("Would have hurt: look sale", timeout=PATIENT)
    trainee.get_by_role("link", name="for mentors").click()
    expect(trainee.get_by_role("table", name="confusions")).to_contain_text("coil-jammed", timeout=PATIENT)
    assert [(one["id"], one["help"]) for one in Axe().run(trainee).response["violations"]] == []


def test_two_faults_one_found_by_its_plug(trainee, place):
    trainee.goto(f"{place.url.rstrip('/')}/drill")
    trainee.get_by_label("nickname").fill("eva")
    trainee.get_by_label("how many faults").select_option("2")
    press(trainee, "begin or go on")
    expect(trainee.get_by_text("Two things are wrong. You have")).to_be_visible(timeout=PATIENT)
    trainee.get_by_label("plug", exact=True).select_option("the plug behind the coin changer")
    press(trainee, "seat it again")
    expect(trainee.get_by_role("alert")).to_contain_text("34 V", timeout=PATIENT)
    press(trainee, "make it safe first")
    expect(steps(trainee)).to_contain_text("Look whether it helped", timeout=PATIENT)
    press(trainee, "the device list on the service page")
    expect(steps(trainee)).to_contain_text("validator: never told", timeout=PATIENT)
    expect(steps(trainee)).to_contain_text("changer: ready", timeout=PATIENT)
    for card, seen in (("changer-unplugged", "look again"), ("validator-unplugged", "named: validator-unplugged")):
        trainee.get_by_label("card", exact=True).select_option(card)
        press(trainee, "name it as the cause")
        expect(steps(trainee)).to_contain_text(seen, timeout=PATIENT)
    expect(told(trainee)).to_contain_text("Both right.", timeout=PATIENT)
    expect(told(trainee)).to_contain_text("which cured changer-unplugged", timeout=PATIENT)
    press(trainee, "lay it at the bench and look")
    seats = trainee.get_by_role("table", name="seats")
    expect(seats.get_by_role("row").filter(has_text="changer")).to_contain_text("no supply", timeout=PATIENT)
    expect(seats.get_by_role("row").filter(has_text="validator")).to_contain_text("no supply", timeout=PATIENT)


def test_axe_finds_nothing_in_the_middle_of_a_drill(trainee, place):
    begin(trainee, place, "uma")
    press(trainee, "test sales by coin, bill and card")
    trainee.get_by_role("alert").get_by_text("Coils turn").wait_for()
    found = [(one["id"], one["help"]) for one in Axe().run(trainee).response["violations"]]
    assert found == []
