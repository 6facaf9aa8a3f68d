"""Which events are taken for new: kit link reference, events of POLL. Expected answers are worked by hand."""

import pytest

from benchsim.schema.kit import Event
from benchsim.seats.seen_events import SeenEvents


def offered(number, raw=b"\0", code=3):
    return Event(number, code, "VEND-DONE", {}, raw)


def taken(*steps):
    """Numbers taken; a step is an event, or what else happens."""
    seen, took = SeenEvents(), []
    for step in steps:
        if isinstance(step, str):
            getattr(seen, step)()
        elif seen.is_new(step):
            took.append(step.number)
    return took


ONE, OTHER = offered(7), offered(7, b"\1")


@pytest.mark.parametrize(
    ("steps", "took"),
    [
        ((ONE, ONE, offered(8), ONE), [7, 8]),
        ((ONE, OTHER), [7]),  # no RESET between: the number alone
        ((ONE, "reset", ONE), [7]),
        ((ONE, "reset", OTHER), [7, 7]),  # the RESET hid a start of the board
        ((ONE, "reset", offered(7, code=4)), [7, 7]),
        ((ONE, "reset", "reset", ONE), [7]),
        ((ONE, "reset", OTHER, "reset", ONE), [7, 7, 7]),  # of what came before both only the last is kept
        ((ONE, "forget", ONE), [7, 7]),
        ((ONE, "reset", "forget", ONE), [7, 7]),
    ],
)
def test_an_event_is_taken_once(steps, took):
    assert taken(*steps) == took


def test_numbers_go_round():
    """Event 300 has the number of event 44, of which nobody thinks any more; so has what was seen before a RESET."""
    rounds = [offered(number % 256) for number in range(600)]
    assert taken(*rounds) == [number % 256 for number in range(600)]
    assert taken(offered(44), "reset", *rounds[45:301]) == [44, *(number % 256 for number in range(45, 301))]
