"""The panel's rules. Its file says: a report at most 40 ms after the last while a finger is down, an idle one
within 1.5 s, a touch over 60 s is stuck.
"""

import pytest

from benchsim.events import Happening

DOWN, UP = "0107ff07ff", "0007ff07ff"


def touched(kit, reports=4, every=20):
    talk = kit().panel(UP, 0).panel(UP, 1000)
    for _ in range(reports):
        talk.panel(DOWN, every)
    return talk


def test_a_tap_breaks_nothing(kit):
    talk = touched(kit).panel(UP, 20).panel(UP, 1000)
    assert talk.broken() == []
    passed = {v.rule for v in talk.judge(subject="panel").verdicts() if v.outcome == "pass"}
    assert passed == {"PNL-FRAME", "PNL-RATE", "PNL-RELEASE", "SYS-PRESENT"}


@pytest.mark.parametrize(("ms", "broken"), [(40, []), (40.001, ["PNL-RATE panel"])])
def test_rate_of_a_touch(kit, ms, broken):
    assert touched(kit).panel(DOWN, ms).panel(UP, 20).broken() == broken


@pytest.mark.parametrize(("ms", "broken"), [(1500, []), (1500.001, ["PNL-RATE panel"])])
def test_rate_of_rest(kit, ms, broken):
    assert touched(kit).panel(UP, 20).panel(UP, ms).broken() == broken


def test_release(kit):
    assert "PNL-RELEASE panel" in touched(kit).panel(DOWN, 1501).panel(UP, 20).broken()
    assert touched(kit).broken(end=1501) == ["PNL-RELEASE panel"]
    assert touched(kit).broken(end=1499) == []


def test_frame(kit):
    assert touched(kit, 0).panel(UP, 1000, wreck=True).broken() == ["PNL-FRAME panel"]
    assert touched(kit, 0).panel("0010000000", 1000).broken() == ["PNL-FRAME panel"]  # x is at most 4095


def test_stuck(kit):
    vend = "060700000064"
    talk = kit().start().poll(3, 500)
    quick = kit().start().poll(3, 500)
    for one, reports in ((talk, 3100), (quick, 2900)):
        for _ in range(reports):
            one.panel(DOWN, 20)
        one.host(vend)
        one.seq = 7
        one.answer()
    assert "PNL-STUCK host" in talk.broken()
    assert "PNL-STUCK host" not in quick.broken()
    patient = kit()
    for _ in range(3100):
        patient.panel(DOWN, 20)
    assert patient.panel(UP, 20).verdict("PNL-STUCK", "host", subject="host").outcome == "pass"


def screen(kit, out_of_order):
    said = {"text": "", "credit": 0, "page": "sale", "out_of_order": out_of_order}
    kit.events.append(Happening(kit.now, "host", "screen", said))
    return kit


# The limit is 3 s, and a screen is drawn within a second.
LOST = {
    "told in time": (lambda k: screen(k.wait(3000), True).wait(1500), "pass"),
    "not told": (lambda k: k.wait(4100), "fail"),
    "told, then taken back": (lambda k: screen(screen(k.wait(3000), True).wait(500), False).wait(1500), "fail"),
    "told too late": (lambda k: screen(k.wait(4300), True).wait(1000), "fail"),
    "not silent for so long": (lambda k: k.wait(2500).panel(UP, 0).wait(2500).panel(UP, 0), "unseen"),
    "broken reports are none": (lambda k: k.panel(UP, 1500, wreck=True).panel(UP, 1500, wreck=True).wait(1500), "fail"),
    "the host is off": (lambda k: k.power("host", False).wait(5000), "unseen"),
    "the host starts anew": (lambda k: screen(k.wait(2000).power("host", False).power("host", True), False).wait(3500), "unseen"),
}


@pytest.mark.parametrize("name", LOST)
def test_a_silent_panel_is_told_on_the_screen(kit, name):
    go, outcome = LOST[name]
    k = kit().power("host", True).panel(UP, 100)
    assert go(screen(k, False)).verdict("PNL-LOST", "host", subject="host").outcome == outcome


def test_a_screen_nobody_reads_is_unseen(kit):
    for rule in ("PNL-LOST", "SYS-TRUTH"):
        v = kit().panel(UP, 0).verdict(rule, "host", subject="host")
        assert (v.outcome, v.why) == ("unseen", "the bench cannot read this host's screen")
