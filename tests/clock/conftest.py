"""asyncio's own loop, its waiting replaced by a jump in time. No wall clock."""

import asyncio
import selectors

import pytest


class JumpingSelector(selectors.SelectSelector):
    now = 0.0

    def select(self, timeout=None):
        assert timeout is not None, "stalled"
        self.now += timeout
        return super().select(0)


class JumpingLoop(asyncio.SelectorEventLoop):
    """The standard library's scheduling; its selector moves the time on by as much as it should wait."""

    def __init__(self):
        super().__init__(JumpingSelector())

    def pass_time(self, seconds):
        """As if a computation had taken that long."""
        self._selector.now += seconds

    def time(self):
        return self._selector.now


@pytest.fixture(scope="session")
def ordinary_loop():
    return JumpingLoop
