"""The screen beside the board's answers, over hand-written talks."""

import pytest

from benchsim.events import Happening

SALE, LOCKED, SERVICE = 3, 5, 6


def screen(kit, credit=0, page="sale", out_of_order=False):
    said = {"text": "", "credit": credit, "page": page, "out_of_order": out_of_order}
    kit.events.append(Happening(kit.now, "host", "screen", said))
    return kit


def outcome(kit):
    return kit.verdict("SYS-TRUTH", "host").outcome


STORIES = {
    "the credit": (lambda k: screen(k.poll(SALE, 150), 150).wait(1500), "pass"),
    "another credit": (lambda k: screen(k.poll(SALE, 150), 100).wait(1500), "fail"),
    "an old credit": (lambda k: screen(k.poll(SALE, 150), 150).wait(1500).poll(SALE, 50).wait(1500), "fail"),
    "credit a little late": (lambda k: screen(k.poll(SALE, 150).wait(900), 150).wait(1500), "pass"),
    "unknown funds": (lambda k: screen(k.poll(SALE, 0xFFFFFFFF), None).wait(1500), "pass"),
    "unknown funds told as a sum": (lambda k: screen(k.poll(SALE, 0xFFFFFFFF), 0xFFFFFFFF).wait(1500), "fail"),
    "locked out": (lambda k: screen(k.poll(LOCKED), out_of_order=True).wait(1500), "pass"),
    "locked out and cheerful": (lambda k: screen(k.poll(LOCKED)).wait(1500), "fail"),
    "door open": (lambda k: screen(k.poll(SERVICE), page="service").wait(1500), "pass"),
    "door open and unaware": (lambda k: screen(k.poll(SERVICE)).wait(1500), "fail"),
    "too short to tell": (lambda k: screen(k.poll(SALE, 150), 100).wait(900), "unseen"),
    "no screen": (lambda k: k.poll(SALE, 150).wait(1500), "unseen"),
    "the board starts anew": (lambda k: screen(k.poll(SALE, 150), 100).power("board", False).wait(1500), "unseen"),
}


@pytest.mark.parametrize("name", STORIES)
def test_what_the_screen_says(kit, name):
    go, wanted = STORIES[name]
    assert outcome(go(kit())) == wanted
