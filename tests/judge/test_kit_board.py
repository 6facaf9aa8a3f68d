"""The board's rules on the kit link. Limits (kit link reference): the answer within 20 ms, the watchdog after
2.0 s, at the latest 2.1 s. A legal talk must break nothing at all, an illegal one just the rule it is about.
"""

import pytest

CREDIT = (1, 0x02, "01" + "000000c8" * 2)  # number 1: CREDIT, coin, 200, total 200
DOOR = (2, 0x04, "01")
WARMER = (3, 0x05, "0032")


@pytest.mark.parametrize(("ms", "broken"), [(20, []), (0, []), (20.001, ["KIT-ANSWER board"])])
def test_answer_in_time(kit, ms, broken, answer_to_poll):
    talk = kit().start()
    talk.seq = 6
    assert talk.host("0306", after=95).answer(answer_to_poll(3, 0), after=ms).broken() == broken


def test_answer_carries_what_was_asked(kit):
    talk = kit().start().host("0306", after=95)
    assert talk.board("8305000300000000" + "00").broken() == ["KIT-ANSWER board"]
    other = kit().start().host("0306", after=95)
    assert other.board("840600").broken() == ["KIT-ANSWER board"]


def test_one_request_without_an_answer(kit, answer_to_poll):
    talk = kit().start()
    talk.seq = 6
    talk.host("0306").host("0306", after=60).answer(answer_to_poll(3, 0)).poll()
    assert talk.broken() == ["KIT-ANSWER board"]


@pytest.mark.parametrize(("stall", "broken"), [(130, []), (2, ["KIT-ANSWER board"])])
def test_an_answer_that_is_not_there_yet_after_a_stall(kit, stall, broken, answer_to_poll):
    """The host asked twice, got the first answer and goes on; the second comes after that."""
    talk = kit(doubt=3, chunks=True).start()
    talk.seq = 6
    talk.host("0306").host("0306", after=60).wait(50).late(stall).answer(answer_to_poll(3, 0), after=0.1)
    talk.host("0307", after=0.2).answer(answer_to_poll(3, 0), after=0.2)
    talk.seq = 7
    assert talk.answer(answer_to_poll(3, 0), after=0.2).broken(subject="board") == broken


@pytest.mark.parametrize("told", [True, False])
def test_a_board_that_starts_owes_no_answer(kit, told, answer_to_poll):
    """Its supply blinked between two tries; a capture of the link alone knows it by BOOTED."""
    talk = kit().start()
    talk.seq = 6
    if told:
        talk.power("board", False).wait(10).power("board", True)
    talk.host("0306").host("0306", after=60).answer(answer_to_poll(0, 0, [(1, 0x01, "01")]))
    assert talk.start(first="0107").broken() == []


def test_a_slow_board_answers_both_tries(kit, answer_to_poll):
    """65 ms late, so the host asked again after 60."""
    talk = kit().start()
    talk.seq = 6
    talk.host("0306").host("0306", after=60).answer(answer_to_poll(3, 0), after=5)
    talk.answer(answer_to_poll(3, 0), after=55)
    v = talk.verdict("KIT-ANSWER", "board")
    assert (v.outcome, v.broken) == ("fail", 1)


def test_a_board_without_supply_owes_no_answer(kit):
    talk = kit().start().host("0306").power("board", False)
    for _ in range(3):
        talk.host("0306", after=60)
    talk.host("0107", after=500).power("board", True).wait(500)
    assert talk.start(first="0108").poll(2, 0, [(9, 0x02, "00" + "00000000" * 2)]).broken() == []


def test_quiet(kit, answer_to_poll):
    unasked = kit().start().poll().answer(answer_to_poll(3, 0), after=30)
    assert unasked.broken() == ["KIT-QUIET board"]
    asked_twice = kit().start()
    asked_twice.seq = 6
    asked_twice.host("0306").answer(answer_to_poll(3, 0), after=50)
    assert "KIT-QUIET board" not in asked_twice.broken()


def test_a_bad_frame_gets_no_answer(kit):
    silent = kit().start().host("0306", wreck=True).wait(55)
    silent.seq = 5
    assert silent.poll(after=5).broken(subject="board") == []
    assert silent.verdict("KIT-BAD-INERT", "board").outcome == "pass"
    talks = kit().start().host("0306", wreck=True).board("830600030000000000")
    assert talks.broken(subject="board") == ["KIT-BAD-INERT board"]


def test_a_repeat_gets_the_same_answer(kit, answer_to_poll):
    one = answer_to_poll(3, 200, [CREDIT])
    same = kit().start()
    same.seq = 6
    same.host("0306").answer(one).host("0306", after=60).answer(one)
    assert same.broken(subject="board") == []
    assert same.verdict("KIT-ONCE", "board").outcome == "pass"
    other = kit().start()
    other.seq = 6
    other.host("0306").answer(one).host("0306", after=60).answer(answer_to_poll(3, 200))
    assert other.broken(subject="board") == ["KIT-ONCE board"]


def test_a_vend_said_twice_sells_once(kit):
    done = (2, 0x03, "000000"), (3, 0x03, "000000")
    talk = kit().start().poll(3, 200, [CREDIT]).ask("06", "00000064").host("060700000064", after=60).answer()
    assert talk.poll(3, 100, done[:1]).broken(subject="board") == []
    twice = kit().start().poll(3, 200, [CREDIT]).ask("06", "00000064").host("060700000064", after=60).answer()
    assert twice.poll(3, 0, done).broken(subject="board") == ["KIT-ONCE board"]


def test_events_are_delivered_by_the_next_request(kit):
    good = kit().start().poll(3, 200, [CREDIT]).poll(3, 200, [DOOR]).poll(3, 200, [WARMER])
    assert good.broken() == []
    assert good.verdict("KIT-EVENTS-KEPT", "board").outcome == "pass"
    hole = kit().start().poll(3, 200, [CREDIT]).poll(3, 200, [WARMER])
    assert hole.broken() == ["KIT-EVENTS-KEPT board"]
    mixed = kit().start().poll(3, 200, [DOOR, CREDIT])
    assert mixed.broken(subject="board") == ["KIT-EVENTS-KEPT board"]


def test_numbers_wrap(kit):
    talk = kit().start().poll(3, 0, [(255, *CREDIT[1:])]).poll(3, 0, [(0, *DOOR[1:])])
    assert talk.broken(subject="board") == []


def relinked(kit, after, wait=100):
    """CREDIT is offered, then comes RESET, which delivers nothing; then `after` is offered."""
    talk = kit().start().poll(3, 200, [CREDIT]).wait(wait)
    return talk.start(first="0120").poll(3, 200, after)


def test_events_outlive_a_reset(kit):
    assert relinked(kit, [CREDIT]).broken() == []
    assert relinked(kit, [CREDIT, DOOR]).broken() == []
    assert relinked(kit, []).broken() == ["KIT-EVENTS-KEPT board"]
    assert relinked(kit, [DOOR]).broken() == ["KIT-EVENTS-KEPT board"]
    assert relinked(kit, [(2, *CREDIT[1:])]).broken() == ["KIT-EVENTS-KEPT board"]  # renumbered


def test_a_reset_after_a_long_silence_may_hide_a_start(kit):
    assert relinked(kit, [], wait=1500).broken() == []


def test_an_undelivered_booted_is_withdrawn_by_reset(kit):
    talk = kit().start().poll(0, 0, [(7, 0x01, "00"), (8, *CREDIT[1:])])
    assert talk.start(first="0120").poll(3, 200, [(8, *CREDIT[1:])]).broken() == []


def silent(kit, ms, state=2, events=((1, 0x09, "00000834"),)):
    """POLL in sale, nothing for `ms` from the end of that request to the end of the next."""
    talk = kit().start().poll(3)
    asked = next(e.end for e in reversed(talk.events) if e.out)
    # a POLL frame has 6 bytes and no stuffing here: 6 x 6,250 ticks
    start_ms = ms - 6 * 6_250 / 72_000 - (talk.now - asked) / 72_000
    return talk.poll(state, 0, events, after=start_ms)


def test_watchdog(kit):
    assert silent(kit, 2101).broken(subject="board") == []
    assert silent(kit, 2101).verdict("KIT-WATCHDOG", "board").checked == 2
    assert silent(kit, 2101, state=3).broken(subject="board") == ["KIT-WATCHDOG board"]
    assert silent(kit, 2101, events=()).broken(subject="board") == ["KIT-WATCHDOG board"]
    twice = silent(kit, 2101, events=((1, 0x09, "00000834"), (2, 0x09, "00000834")))
    assert twice.broken(subject="board") == ["KIT-WATCHDOG board"]


def test_watchdog_between_its_limits_may_have_fired_or_not(kit):
    assert silent(kit, 2050).broken(subject="board") == []
    assert silent(kit, 2050, state=3, events=()).broken(subject="board") == []


def test_watchdog_never_fires_early(kit):
    assert silent(kit, 1999).broken(subject="board") == ["KIT-WATCHDOG board"]
    assert silent(kit, 1999, state=3, events=()).broken(subject="board") == []


def test_prices_in_force(kit):
    read = "0000000400640064 00c8ffff"
    good = kit().start().ask("10", "000004", "00" + read[6 + 2 :])
    assert good.broken() == []
    assert good.verdict("KIT-PRICE-WHOLE", "board").outcome == "pass"
    wrong = kit().start().ask("10", "000004", "00" + "0064006400c80064")
    assert wrong.broken() == ["KIT-PRICE-WHOLE board"]
    refused = kit().start().ask("08", "0004").ask("09", "00000400050005 00050005").ask("0a", "0000", "03")
    assert "KIT-PRICE-WHOLE board" not in refused.ask("10", "000002", "00" + "00640064").broken()
    early = kit().start().ask("08", "0004").ask("09", "00000400050005 00050005")
    assert early.ask("10", "000002", "00" + "00050005").broken() == ["KIT-PRICE-WHOLE board"]


def test_a_bad_commit_must_be_refused(kit):
    taken = kit().start().ask("08", "0004").ask("09", "00000400640064 00c8ffff").ask("0a", "1234", "00")
    assert taken.broken(subject="board") == ["KIT-PRICE-WHOLE board"]


def test_a_vend_at_another_price_must_be_refused(kit):
    talk = kit().start().poll(3, 500).ask("06", "00000065", "00")
    assert talk.broken(subject="board") == ["KIT-PRICE-WHOLE board"]


def test_shape_and_frames_of_the_board(kit):
    assert kit().start().ask("03", "", "0009000000000000").broken() == ["KIT-SHAPE board"]  # no state 9
    assert kit().start().ask("04", "", "0000").broken() == ["KIT-SHAPE board"]
    assert kit().start().ask("04", "", "08").broken() == ["KIT-SHAPE board"]  # no status 8
    assert kit().start().ask("55", "", "04").broken(subject="board") == ["KIT-SHAPE board"]
    assert kit().start().ask("03", "00", "02").broken(subject="board") == ["KIT-SHAPE board"]
    wrecked = kit().start().host("0306").answer("00", wreck=True)
    assert wrecked.broken() == ["KIT-FRAME board"]


@pytest.mark.parametrize(("answers", "broken"), [(1, []), (2, ["KIT-QUIET board"])])
def test_a_host_that_loses_its_supply_was_still_answered_once(kit, answers, broken):
    k = kit().start().host("0306", after=95).power("host", False)
    for _ in range(answers):
        k.board("830600030000000000")
    assert k.broken() == broken
