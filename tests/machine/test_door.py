"""The door, its switch and the button behind it. What the board knows is the switch."""

import pytest

from benchsim.clock import run
from benchsim.lines import Trace
from benchsim.machine import Door


def hands(*acts):
    """What the switch tells and how often the button is told, after these acts."""

    async def main(clock):
        door, switched, pressed = Door(Trace(clock)), [], []
        door.switched, door.pressed = switched.append, lambda: pressed.append(1)
        for act, *how in acts:
            getattr(door, act)(*how)
        return switched, len(pressed)

    return run(main)


OPEN, CLOSE, PRESS = ("move", True), ("move", False), ("press",)


@pytest.mark.parametrize(
    ("acts", "told"),
    [
        ([OPEN, OPEN, CLOSE], ([True, False], 0)),
        ([PRESS, OPEN, PRESS, PRESS, CLOSE, PRESS], ([True, False], 2)),  # behind the door nobody reaches it
        ([("break_switch", "open")], ([True], 0)),
        ([("break_switch", "open"), OPEN, CLOSE, ("break_switch", "")], ([True, False], 0)),
        ([("break_switch", "closed"), OPEN, PRESS, CLOSE], ([], 1)),
        ([OPEN, ("break_switch", "closed"), ("break_switch", "")], ([True, False, True], 0)),
    ],
)
def test_what_the_board_is_told(acts, told):
    assert hands(*acts) == told
