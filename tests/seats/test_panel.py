"""The touch panel and what can be wrong with it; the host's answer. Times: touch panel reference (20 ms while a finger is
down, once a second when idle, out of order after 3 s, stuck after 60 s)."""

import pytest
from kit_wire import unwire

from benchsim.bench import Bench
from benchsim.clock import run
from benchsim.schema import load_book
from benchsim.seats import screen as words
from benchsim.settings import Settings

BOOK = load_book()


def played(script):
    """Run `script(bench, reports)` on a bench that sells; reports are (down, x, y)."""

    async def main(clock):
        bench, reports = Bench(Settings(), BOOK, clock, 1), []

        def burst(self, b):
            if b.link == "panel":
                body = unwire(b.words)
                reports.append((body[0], int.from_bytes(body[1:3], "big"), int.from_bytes(body[3:5], "big")))

        bench.trace.listeners.append(type("Ear", (), {"burst": burst, "happening": lambda self, h: None})())
        bench.power_on()
        await clock.sleep(3)
        assert bench.host.screen.message == words.READY
        reports.clear()
        return await script(bench, reports)

    return run(main)


def test_a_tap_in_the_middle_of_a_cell():
    """Six rows by eight columns: row 1, column 2 has its middle at x = 2.5/8, y = 1.5/6 of 4096."""

    async def script(bench, reports):
        bench.panel.tap(1, 2, 6, 8)
        await bench.clock.sleep(0.5)
        assert 5 <= sum(down for down, _, _ in reports) <= 7
        assert set(reports) >= {(1, 1280, 1024), (0, 1280, 1024)}
        assert bench.host.screen.needed == bench.settings.prices[1 * 8 + 2]

    played(script)


def test_swapped_axes_select_another_product():
    """x and y exchanged: (1280, 1024) is read as x = 1024, y = 1280: column 2, row 1.875."""

    async def script(bench, reports):
        bench.panel.turned = lambda x, y: (y, x)
        bench.panel.tap(4, 1, 6, 8)  # the finger at (768, 3072) is told as (3072, 768): row 1, column 6
        await bench.clock.sleep(0.5)
        assert (1, 3072, 768) in reports
        assert bench.host.screen.needed == bench.settings.prices[1 * 8 + 6]

    played(script)


def test_a_stuck_touch_is_ignored_and_told_after_a_minute():
    async def script(bench, reports):
        bench.panel.stuck = (100, 100)
        await bench.clock.sleep(59)
        assert bench.host.screen.message == words.READY
        await bench.clock.sleep(3)
        assert bench.host.screen.message == words.PANEL_HELD
        bench.panel.tap(1, 1, 6, 8)  # nobody notices
        await bench.clock.sleep(1)
        assert bench.host.screen.needed is None and set(reports[1:]) == {(1, 100, 100)}
        bench.panel.stuck = None
        await bench.clock.sleep(1)
        assert reports[-1][0] == 0 and bench.host.screen.message == words.READY
        bench.panel.tap(1, 1, 6, 8)
        await bench.clock.sleep(1)
        assert bench.host.screen.needed == bench.settings.prices[9]

    played(script)


@pytest.mark.parametrize("how", ["silent", "off"])
def test_a_silent_panel_is_out_of_order_until_it_speaks(how):
    async def script(bench, reports):
        if how == "silent":
            bench.panel.silent = True
        else:
            bench.panel.power_off()
        await bench.clock.sleep(1.9)  # its last report is at most one second old
        assert bench.host.screen.message == words.READY
        await bench.clock.sleep(1.4)
        assert bench.host.screen.message == words.NO_PANEL and bench.host.state == 3
        if how == "silent":
            bench.panel.silent = False
        else:
            bench.panel.power_on()
        await bench.clock.sleep(1.2)
        assert bench.host.screen.message == words.READY

    played(script)
