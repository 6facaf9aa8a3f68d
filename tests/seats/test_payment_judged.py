"""The board's bus side and the devices before the judge: only the party that was made to fail fails."""

import random
from functools import partial

import pytest

from benchsim.clock import run
from benchsim.events import LinkInfo
from benchsim.judge import Judge
from benchsim.lines import Line, Trace
from benchsim.schema import load_book
from benchsim.seats.cashless import Cashless
from benchsim.seats.changer import Changer
from benchsim.seats.payment import PaymentBus
from benchsim.seats.validator import Validator

BOOK = load_book()


class Bus:
    """Devices and the board's side on one line."""

    def __init__(self, clock, settings):
        self.clock, self.trace = clock, Trace(clock)
        self.line = Line("bus", BOOK.bus.word.ticks, clock, self.trace)
        self.rng = random.Random(3)
        self.changer, self.validator, self.reader = (
            kind(clock, self.line, self.rng, settings.get(seat, {}), partial(self.trace.happening, seat))
            for seat, kind in (("changer", Changer), ("validator", Validator), ("cashless1", Cashless))
        )
        for device in (self.changer, self.validator, self.reader):
            device.start()
        self.board_on()

    def board_on(self):
        self.pay = PaymentBus(self.clock, self.line, BOOK, self.rng, lambda name, **data: None)
        self.pay.enable(True)


def failed(steps, settings):
    """Rules that failed or warned, and whom."""

    async def main(clock):
        bus = Bus(clock, settings)
        judge = Judge([LinkInfo("bus", "board", BOOK.bus.word.ticks)], BOOK, None, None, {})
        bus.trace.listeners.append(judge)
        await clock.sleep(2)
        for step in steps:
            if callable(step):
                step(bus)
            else:
                await clock.sleep(step)
        bus.trace.close()
        judge.close(clock.now())
        return judge.verdicts()

    verdicts = run(main)
    assert sum(v.outcome == "pass" for v in verdicts) > 40
    return {(v.rule, v.judged) for v in verdicts if v.outcome in ("fail", "warn")}


def card(bus):
    bus.reader.card(500)


def vend(bus):
    bus.pay.vend_request(125, 7)


def delivered(bus):
    bus.pay.vend_success()
    bus.pay.session_complete()


def mute_vends(bus):
    bus.reader.never_answers = True


CASES = {
    "quiet": ([3], set()),
    "coin, lever, payout": (
        [lambda b: b.changer.insert(3), 1, lambda b: b.changer.lever(), 1, lambda b: b.pay.payout(50), 3],
        set(),
    ),
    "large payout": ([lambda b: b.pay.payout(985), 14], set()),
    "sale by card": ([card, 1, vend, 1.5, delivered, 2], set()),
    "card pulled in a vend": ([card, 1, vend, 0.3, lambda b: b.reader.pull(), 1, delivered, 3], set()),
    "closed in a session": (
        [card, 1, lambda b: b.pay.enable(False), 1, lambda b: b.pay.session_complete(), 2],
        set(),
    ),
    "session lost": (
        [card, 1, lambda b: b.reader.lose_session(), lambda b: b.pay.session_complete(), 4],
        set(),
    ),
    "stacker full": ([lambda b: b.validator.insert(0), 5, lambda b: b.validator.insert(0), 2], set()),
    "changer cut in a payout": (
        [lambda b: b.pay.payout(200), 0.5, lambda b: b.changer.stop(), 0.3, lambda b: b.changer.start(), 6],
        set(),
    ),
    "board cut in a session": ([card, 1, lambda b: b.pay.stop(), 1, lambda b: b.board_on(), 5], set()),
    "validator off": (
        [lambda b: b.validator.stop(), 25, lambda b: b.validator.start(), 4],
        {("BUS-SILENT", "validator")},
    ),
    "reader off in a session": (
        [card, 1, lambda b: b.reader.stop(), 25, lambda b: b.reader.start(), 4],
        {("BUS-SILENT", "cashless1")},
    ),
    "vend never answered": ([mute_vends, card, 1, vend, 8], {("CSH-ANSWER", "cashless1")}),
}


@pytest.mark.parametrize("case", CASES)
@pytest.mark.parametrize("level", [2, 3])
def test_only_who_was_made_to_fail_fails(case, level):
    steps, expected = CASES[case]
    settings = {"changer": {"level": level}, "validator": {"capacity": 1}, "cashless1": {"level": level}}
    assert failed(steps, settings) == expected
