"""What a board takes and how it refuses (kit link reference): statuses 1 bad length, 2 unknown operation, 3 bad
argument, 4 not in this state, 5 busy, 6 locked out, 7 not enough credit; states 2 priced, 3 sale open, 4 vending.
"""

import pytest


def talk_of(kit, *pairs):
    """RESET with its answer, then requests and answers as given in hex, `seq` from 8 on."""
    talk = kit().host("0107").board("81070001" + "00")
    for seq, (asked, answered) in enumerate(pairs, 8):
        talk.host(f"{asked[:2]}{seq:02x}{asked[2:]}").board(f"{asked[0].replace('0', '8').replace('1', '9')}{asked[1]}"
                                                             f"{seq:02x}{answered}")  # fmt: skip
    return talk


IDENT = ("02", "00" + (b"MAKER-------MODEL-------SERIAL------" + bytes((1, 0, 2, 2))).hex())
BEGIN, PART = ("080004", "00"), ("09" + "0000" + "04" + "006400640064ffff", "00")
COMMIT = ("0a" + "0000", "00")  # whether its check is right is another rule's matter
OPEN, CLOSE = ("04", "00"), ("05", "00")
VEND = ("06" + "0000" + "0064", "00")


def poll(state):
    """A POLL and its answer without events, credit 1000."""
    return "03", f"00{state:02x}" + "000003e8" + "00"


@pytest.mark.parametrize(
    "pairs",
    [
        [IDENT, BEGIN, PART, COMMIT, OPEN, poll(3), VEND],
        [IDENT, BEGIN, PART, COMMIT, OPEN, VEND],
        [IDENT, ("04", "04"), ("06" + "0000" + "0064", "04")],
        [("04", "04"), ("0c", "06"), ("10" + "0000" + "01", "04")],
        [IDENT, BEGIN, PART, COMMIT, OPEN, poll(4), poll(3), VEND],
        [IDENT, BEGIN, PART, COMMIT, OPEN, poll(3), ("06" + "0000" + "0064", "07"), ("06" + "0000" + "0065", "03")],
    ],
)
def test_legal_answers(kit, pairs):
    verdict = talk_of(kit, *pairs).verdict("KIT-STATUS", "board")
    assert (verdict.outcome, verdict.broken) == ("pass", 0)


@pytest.mark.parametrize(
    "pairs",
    [
        [("0c", "00")],  # a survey before IDENT
        [IDENT, OPEN],  # no table in this session
        [IDENT, BEGIN, PART, COMMIT, poll(2), VEND],
        [IDENT, BEGIN, PART, COMMIT, OPEN, CLOSE, VEND],
        [IDENT, BEGIN, PART, COMMIT, OPEN, poll(6), VEND],
        [IDENT, BEGIN, PART, COMMIT, OPEN, poll(3), ("06" + "0101" + "ffff", "00")],  # not for sale
        [IDENT, ("0e" + "695b6a00", "04")],  # CLOCK is taken in any state
        [IDENT, ("0f", "01")],  # its length was right
        [IDENT, ("07", "06")],  # REFUND is never locked out
        [IDENT, ("05", "05")],  # CLOSE-SALE waits for no coil
    ],
)
def test_what_no_board_may_say(kit, pairs):
    verdict = talk_of(kit, *pairs).verdict("KIT-STATUS", "board")
    assert (verdict.outcome, verdict.broken) == ("fail", 1)


def test_a_board_that_started_anew_is_not_judged_by_what_was(kit):
    talk = talk_of(kit, IDENT).power("board", False).wait(100).power("board", True).wait(600)
    assert talk.host("0c30").board("8c3000").verdict("KIT-STATUS", "board").broken == 0
