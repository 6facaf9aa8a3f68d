"""Where every party is simulated in real time, what they do wrong right after the bench's own computer stalled is not held
against them; a real one has its own clock, and what it does wrong is its own.
"""

import pytest


@pytest.mark.parametrize(
    ("played", "after", "outcome"), [(True, 5, "pass"), (True, 150, "fail"), (False, 5, "fail")]
)
def test_a_board_speaks_unasked_so_long_after_a_stall(kit, played, after, outcome):
    talk = kit(doubt=1).start().wait(300).late(30)
    talk.events[0].data["played"] = played
    talk.board("8306000300000000" + "00", after=after).wait(400).poll()
    assert talk.verdict("KIT-QUIET", "board").outcome == outcome
