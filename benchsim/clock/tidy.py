"""Garbage of a long run in real time is looked for while there is nothing else to do, and not when Python would: a search
among all that a bench remembers takes longer than a device may take to answer."""

import gc
from collections.abc import Iterator
from contextlib import contextmanager

from benchsim.clock.clocks import Clock
from benchsim.events import TICKS_PER_MS

EVERY = 50 * TICKS_PER_MS  # few new things to look through each time
OLDER = 20  # each so many times also among what was left the times before
BY_ITSELF = 100_000  # new things until Python looks all the same


@contextmanager
def tidied(clock: Clock) -> Iterator[None]:
    """While this lasts. What is here already is not looked through, nor what has lasted for seconds."""
    before = gc.get_threshold()
    gc.collect()
    gc.freeze()
    gc.set_threshold(BY_ITSELF)
    over = False

    def tidy(turn: int = 1) -> None:
        if not over:
            gc.collect(1 if turn % OLDER == 0 else 0)
            clock.call_idle(clock.now() + EVERY, lambda: tidy(turn + 1))

    tidy()
    try:
        yield
    finally:
        over = True
        gc.set_threshold(*before)
        gc.unfreeze()
