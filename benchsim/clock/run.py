"""One way to run a bench: make the loop, hand out its clock, leave nothing behind."""

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any, TypeVar

from benchsim.clock.clocks import Clock, RealClock
from benchsim.clock.loop import VirtualLoop
from benchsim.clock.real_loop import RealLoop

Result = TypeVar("Result")


def run(main: Callable[[Clock], Coroutine[Any, Any, Result]], virtual: bool = True) -> Result:
    """Run `main(clock)` to its end and return what it returns.

    Left-over tasks are cancelled and awaited, asynchronous generators closed. Ctrl-C cancels `main`,
    which may write its reports; if it returns then, its result is returned, otherwise
    KeyboardInterrupt is raised. An exception in a timed call ends the run with that exception.

    Raises `Stalled` in virtual time when nothing is left to happen and `main` still waits.
    """
    with asyncio.Runner(loop_factory=VirtualLoop if virtual else RealLoop) as runner:
        loop = runner.get_loop()
        clock = loop.clock if virtual else RealClock(loop)
        try:
            return runner.run(main(clock))
        except RuntimeError:
            if not virtual and clock.broken:
                raise clock.broken from None
            raise
