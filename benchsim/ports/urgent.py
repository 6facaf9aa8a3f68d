"""Run at once when there is something to do, before other work of this computer, where the system lets us.

Linux lets root, and users with a real-time priority limit (limits.conf: rtprio). What is started meanwhile does
not inherit it: threads that carry bytes ask for it themselves, since one that is put off while it holds the interpreter
puts off everybody. Kernel workers that carry bytes of pseudo-terminals stay as they are.
"""

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress

_granted = False  # to the process, now


@contextmanager
def urgent() -> Iterator[bool]:
    """Gives whether it was granted; afterwards all is as before."""
    global _granted
    try:
        before = os.sched_getscheduler(0), os.sched_getparam(0)
        _ask()
    except (AttributeError, OSError):
        yield False
        return
    _granted = True
    try:
        yield True
    finally:
        _granted = False
        os.sched_setscheduler(0, *before)


def thread_is_urgent() -> None:
    """For a thread that carries bytes, as its first deed: as urgent as the process, if that is."""
    if _granted:
        with suppress(OSError):
            _ask()


def _ask() -> None:
    """For the thread that calls."""
    os.sched_setscheduler(0, os.SCHED_RR | os.SCHED_RESET_ON_FORK, os.sched_param(1))
