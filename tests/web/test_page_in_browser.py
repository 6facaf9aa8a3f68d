"""The page driven like a person, in a real browser. Waits are for what is seen, never for seconds."""

import re
import socket
import sys
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect

from benchsim.captures import open_capture
from benchsim.events import Happening

from .conftest import PATIENT, connected, press


def status(page):
    return page.locator(".glass .message")


def credit(page, text):
    expect(page.locator(".glass .credit")).to_contain_text(f"credit {text}", timeout=PATIENT)


def bought(page, name):
    press(page, f"selection {name}")
    expect(status(page)).to_have_text("Thank you. Please take your product", timeout=PATIENT)


def test_buy_with_coins_bill_and_card_and_take_the_change(page):
    press(page, "10×")
    press(page, "put in a coin of 1.00")
    credit(page, "1.00")
    press(page, "put in a coin of 1.00")
    credit(page, "2.00")
    bought(page, "B2")
    credit(page, "0.25")
    expect(page.get_by_text("products 1, coins 0.00")).to_be_visible(timeout=PATIENT)
    press(page, "return lever")
    expect(page.get_by_text("products 1, coins 0.25")).to_be_visible(timeout=PATIENT)
    press(page, "take", exact=True)
    expect(page.get_by_text("products 0, coins 0.00")).to_be_visible(timeout=PATIENT)

    press(page, "put in a bill of 5.00")
    credit(page, "5.00")
    bought(page, "A1")
    credit(page, "3.75")
    press(page, "return lever")
    credit(page, "0.00")

    press(page, "hold up 10.00")
    credit(page, "10.00")
    bought(page, "A2")
    expect(page.get_by_text("products 2")).to_be_visible(timeout=PATIENT)
    expect(page.locator("tr.bad")).to_have_count(0)


def test_the_door_stops_the_sale(page):
    press(page, "open the door")
    expect(status(page)).to_have_text(re.compile("^Door open"), timeout=PATIENT)
    expect(page.get_by_role("button", name="close the door")).to_have_attribute("aria-pressed", "true")
    service = page.get_by_role("table", name="service page")
    expect(service).to_contain_text(re.compile(r"lately\s*door opened"), timeout=PATIENT)
    expect(page.get_by_role("button", name="selection A1")).to_be_hidden()
    press(page, "close the door")
    expect(status(page)).to_have_text("Choose a product", timeout=PATIENT)


def test_a_fault_is_switched_on_and_its_symptom_seen(page):
    page.locator("summary", has_text="bus wiring").click()
    press(page, "Whole payment bus unplugged at the board")
    expect(page.get_by_text("on: Whole payment bus unplugged at the board")).to_be_visible(timeout=PATIENT)
    expect(page.get_by_role("table", name="seats")).to_contain_text("no supply", timeout=PATIENT)
    expect(page.get_by_text("coins ○")).to_be_visible(timeout=PATIENT)
    press(page, "put in a coin of 1.00")
    expect(page.get_by_text("coin 1.00 put in, not taken now").first).to_be_visible(timeout=PATIENT)
    press(page, "Whole payment bus unplugged at the board")
    expect(page.get_by_text("none is on")).to_be_visible(timeout=PATIENT)


def test_two_faults_at_once(page):
    page.locator("summary", has_text="bus wiring").click()
    press(page, "Harness of the coin changer unplugged")
    page.locator("summary", has_text="touch panel").click()
    press(page, "Cable of the touch panel unplugged")
    expect(page.get_by_text("on: Harness of the coin changer unplugged; Cable of the touch panel unplugged")).to_be_visible(timeout=PATIENT)
    expect(page.get_by_role("table", name="seats")).to_contain_text("no supply", timeout=PATIENT)
    press(page, "10×")
    expect(status(page)).to_have_text("Out of order: touch panel silent", timeout=PATIENT)


def test_recording_from_the_page_leaves_whole_files(page, records):
    for number in (1, 2):
        press(page, "record", exact=True)
        expect(page.get_by_text(f"recording into {records}/page-00{number}.pcapng")).to_be_visible(timeout=PATIENT)
        press(page, "put in a coin of 0.50")
        expect(page.get_by_text("coin type 3, value 50").first).to_be_visible(timeout=PATIENT)
        press(page, "start anew")
        expect(page.get_by_text("a bench that is recorded is not started anew")).to_be_visible(timeout=PATIENT)
        press(page, "stop recording")
        expect(page.get_by_text(f"recorded: {records}/page-00{number}.pcapng")).to_be_visible(timeout=PATIENT)
        capture = open_capture(records / f"page-00{number}.pcapng")
        coins = [event for event in capture.events() if type(event) is Happening and event.kind == "coin"]
        assert coins and coins[-1].data["value"] == 50 and not capture.cut


def test_a_real_host_sits_at_the_bench(blank, serving):
    host = Path(__file__).parents[2] / "fixtures" / "sample_host" / "host.py"
    served = serving("--exec", f"{sys.executable} {host} {{kit}} {{panel}}")
    blank.goto(served.url)
    connected(blank)
    expect(status(blank)).to_have_text("The host is real: read its own screen", timeout=PATIENT)
    seats = blank.get_by_role("table", name="seats")
    expect(seats).to_contain_text("on sale", timeout=PATIENT)
    links = [socket.create_connection(("127.0.0.1", served.port), timeout=60) for _ in range(200)]
    expect(seats).to_contain_text("there", timeout=PATIENT)
    expect(blank.get_by_text("coin 2.00 put in").first).to_have_count(0)
    while blank.get_by_text(re.compile("changer coin type 5, value 200, to (box|tube)")).count() == 0:
        press(blank, "put in a coin of 2.00")  # until the host has opened the sale
        blank.wait_for_timeout(1000)
    credit(blank, "2.00")
    press(blank, "selection A1")
    expect(blank.get_by_text("products 1")).to_be_visible(timeout=PATIENT)
    press(blank, "hold the picture")
    expect(blank.get_by_text(re.compile("^looking back to"))).to_be_visible(timeout=PATIENT)
    assert blank.get_by_role("button", name="speed").count() == 0
    for link in links:
        link.close()


def clock(page):
    return float(page.locator(".clock").inner_text().split()[0])


def test_pause_step_and_look_back(page):
    page.keyboard.press("p")
    expect(page.get_by_role("button", name="go on")).to_be_visible(timeout=PATIENT)
    stood = clock(page)
    press(page, "step 0.1 s")
    expect(page.locator(".clock")).not_to_have_text(f"{stood:.1f} s", timeout=PATIENT)
    assert clock(page) == pytest.approx(stood + 0.1, abs=0.051)
    press(page, "put in a coin of 2.00")
    for _ in range(10):
        press(page, "step 0.1 s")
    credit(page, "2.00")
    page.get_by_label("look back in time").evaluate(
        "slider => { slider.value = 200; slider.dispatchEvent(new Event('input')); }"
    )
    credit(page, "0.00")
    expect(page.get_by_text(re.compile("^looking back to"))).to_be_visible(timeout=PATIENT)
    press(page, "put in a coin of 2.00")
    expect(page.get_by_text("this is the past: press now first")).to_be_visible(timeout=PATIENT)
    press(page, "now", exact=True)
    credit(page, "2.00")


def test_an_exchange_is_told_by_keys_and_by_click(page):
    press(page, "pause")
    press(page, "kit", exact=True)
    table = page.get_by_role("table", name="exchange in words")
    expect(table).to_contain_text("POLL", timeout=PATIENT)
    expect(page.locator(".drawing svg")).to_be_visible()
    told = page.get_by_text(re.compile(r"^kit at ")).inner_text()
    press(page, "earlier")
    expect(page.get_by_text(re.compile(r"^kit at "))).not_to_have_text(told, timeout=PATIENT)
    box = page.locator("#strips").bounding_box()
    for part in (0.9, 0.8, 0.7, 0.6):  # the bus is polled often: one of these is near a block
        page.mouse.click(box["x"] + box["width"] * part, box["y"] + 20)
    expect(page.get_by_text(re.compile(r"^bus at "))).to_be_visible(timeout=PATIENT)


def test_reload_loses_nothing_and_two_pages_share_the_bench(browser, served, page):
    press(page, "put in a coin of 0.50")
    credit(page, "0.50")
    page.reload()
    credit(page, "0.50")
    context = browser.new_context(viewport={"width": 420, "height": 900})
    other = context.new_page()
    other.goto(served.url)
    credit(other, "0.50")
    press(other, "put in a coin of 1.00")
    credit(page, "1.50")
    assert other.evaluate("document.documentElement.scrollWidth") <= 420, "it fits a small screen"
    context.close()


@pytest.mark.parametrize("look", ["light", "dark"])
def test_axe_finds_nothing(page, look):
    page.evaluate(f"document.documentElement.dataset.look = '{look}'")
    press(page, "pause")
    press(page, "bus", exact=True)
    expect(page.get_by_role("table", name="exchange in words")).to_contain_text("POLL", timeout=PATIENT)
    found = Axe().run(page)
    told = [(one["id"], one["help"], [node["html"][:120] for node in one["nodes"][:3]]) for one in found.response["violations"]]
    assert told == []


def test_all_of_it_is_reached_by_keys(page):
    press(page, "pause")
    names = set()
    for _ in range(140):
        page.keyboard.press("Tab")
        names.add(page.evaluate("(document.activeElement.getAttribute('aria-label') || document.activeElement.textContent).trim()"))
    assert {"selection A1", "put in a coin of 2.00", "return lever", "earlier", "look back in time"} <= names
    page.get_by_role("button", name="put in a coin of 2.00").focus()
    page.keyboard.press("Enter")
    expect(page.get_by_text("coin 2.00 put in").first).to_be_visible(timeout=PATIENT)
