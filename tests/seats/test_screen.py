"""What the screen shows: causes before messages, the grid, and the service page fed by the board's own words."""

import pytest

from benchsim.bench import Bench
from benchsim.clock import run
from benchsim.schema import load_book
from benchsim.seats import screen as words
from benchsim.settings import Settings

BOOK = load_book()


def played(script, settings=None):
    async def main(clock):
        bench = Bench(settings or Settings(rows=2, columns=3, prices=[100, 125, 0, 150, 0xFFFF, 175]), BOOK, clock, 1)
        bench.power_on()
        await clock.sleep(4)
        return await script(bench, bench.host.screen)

    return run(main)


def test_the_grid_is_what_the_board_took():
    async def script(bench, screen):
        assert screen.grid == [[100, 125, 0], [150, None, 175]]
        assert (screen.message, screen.page, screen.causes) == (words.READY, "sale", ())

    played(script)


def test_the_door_opens_the_service_page():
    async def script(bench, screen):
        bench.door.move(True)
        await bench.clock.sleep(0.5)
        assert (screen.page, screen.message) == ("service", words.DOOR_OPEN)
        bench.door.move(False)
        await bench.clock.sleep(0.15)
        assert (screen.page, screen.message) in (("sale", words.PAUSED), ("sale", words.READY))
        await bench.clock.sleep(0.5)
        assert screen.message == words.READY

    played(script)


@pytest.mark.parametrize(
    ("change", "seconds", "message"),
    [
        (lambda b: b.board.lock_out(1), 1, words.LOCKED),
        (lambda b: b.board.lock_out(2), 1, words.LOCKED_BLIND),
        (lambda b: b.board.power_off(), 1, words.NO_BOARD),
        (lambda b: setattr(b.panel, "silent", True), 5, words.NO_PANEL),
    ],
)
def test_why_it_is_out_of_order(change, seconds, message):
    async def script(bench, screen):
        change(bench)
        await bench.clock.sleep(seconds)
        assert screen.message == message == screen.causes[0]

    played(script)


def test_the_gravest_cause_first():
    async def script(bench, screen):
        bench.panel.silent = True
        bench.board.lock_out(1)
        await bench.clock.sleep(5)
        assert screen.causes == (words.LOCKED, words.NO_PANEL)
        bench.board.power_off()
        await bench.clock.sleep(2)
        assert screen.causes == (words.NO_BOARD, words.NO_PANEL)

    played(script)


def test_refused_prices():
    async def script(bench, screen):
        bench.board.refuse_commits = 3
        bench.board.power_off()
        bench.board.power_on()
        await bench.clock.sleep(4)
        assert screen.causes == (words.NO_PRICES,)

    played(script)


def test_a_board_that_never_answers_is_told_after_ten_seconds():
    async def main(clock):
        bench = Bench(Settings(), BOOK, clock, 1)
        bench.lines["kit"].deaf.add("board")
        bench.power_on()
        await clock.sleep(9)
        assert bench.host.screen.message == words.STARTING
        await clock.sleep(2)
        assert bench.host.screen.message == words.NO_BOARD

    run(main)


def test_the_service_page_reads_what_the_board_told():
    async def script(bench, screen):
        bench.coils.missing.add((1, 0))
        bench.devices["changer"].stop()
        bench.door.move(True)
        await bench.clock.sleep(0.5)
        bench.host.service()
        await bench.clock.sleep(8)
        bench.door.press()
        await bench.clock.sleep(0.5)
        rows = screen.service.rows()
        first = dict(reversed(rows))
        assert first["board"] == "in service" and first["made by"] == "BENCH BOARD-6X8 000000000001 0100"
        assert first["to be held"] == "perishable food, 3.0 °C" and first["air"].endswith(" °C")
        assert first["coils not found"] == "row 1, column 0"
        assert first["device 08"].startswith("lost") and first["device 30"] == "ready"
        assert int(first["starts"]) == 1 and first["last start"] == "power-on"
        lately = [text for name, text in rows if name == "lately"]
        assert lately[-3:] == ["door opened", "survey: 5 coils", "service button pushed"]

    played(script)


def test_a_lock_out_and_a_sag_stand_on_it():
    async def script(bench, screen):
        bench.board.lock_out(1)
        bench.supply.ohms = 5.0
        await bench.clock.sleep(1)
        rows = dict(screen.service.rows())
        assert rows["food"] == "locked out: food was too warm"
        # 1.1 A: 34.4 - 5.5 = 28.9 V of crest, half of 1.1 V of ripple less
        assert rows["supply"] == "28.4 V"  # 28.35

    played(script)
