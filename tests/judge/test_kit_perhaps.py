"""Events after a request that nobody answered: it may have delivered them, or never have arrived (kit link
reference: events count as delivered when a request with the next `seq` arrives).
"""

import pytest

CREDIT = (1, 0x02, "01" + "000000c8" * 2)  # number 1: CREDIT, coin, 200, total 200
DOOR = (2, 0x04, "01")
LATER = (3, 0x04, "00")


@pytest.mark.parametrize(
    ("offered", "broken"),
    [
        ([CREDIT], False),  # it never arrived
        ([CREDIT, DOOR], False),
        ([DOOR], False),  # it did
        ([], False),
        ([CREDIT, LATER], True),  # a number is missing either way
    ],
)
def test_after_a_request_without_an_answer(kit, answer_to_poll, offered, broken):
    talk = kit().start().poll(3, 200, [CREDIT])
    seq = talk.seq
    talk.host(f"0f{seq + 1:02x}").host(f"03{seq + 2:02x}", after=70)
    talk.seq = seq + 2
    talk.answer(answer_to_poll(3, 200, offered))
    assert ("KIT-EVENTS-KEPT board" in talk.broken(subject="board")) == broken


def test_after_a_request_with_an_answer_nothing_comes_again(kit, answer_to_poll):
    talk = kit().start().poll(3, 200, [CREDIT]).ask("0e", "695b6a00")
    talk.poll(3, 200, [CREDIT])
    assert "KIT-EVENTS-KEPT board" in talk.broken(subject="board")
