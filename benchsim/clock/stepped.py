"""A virtual clock without a loop: whoever holds it says how far time goes, and time goes there at once.

For onlookers who want to choose the pace: a page in a browser that pauses, steps and speeds up. Nothing at such
a bench may be a coroutine.
"""

from heapq import heappop

from benchsim.clock.clocks import VirtualClock, _nothing


class SteppedClock(VirtualClock):
    """Time stands still until `advance`."""

    def advance(self, until: int) -> None:
        """Make every call due up to and at tick `until`, in order; then it is `until`.

        A tick that has passed makes only the calls that are due now. An exception in a call is the caller's.
        """
        due, heap = self._due, self._heap
        while due or (heap and heap[0][0] <= until):
            if due:
                for _ in range(len(due)):
                    call = due.popleft()
                    call._call(*call._args)
            else:
                self._strike(heap[0][0])
        self.ticks = max(self.ticks, until)

    def next_due(self) -> int | None:
        """Tick of the next call, None if nothing waits."""
        if self._due:
            return self.ticks
        while self._heap and self._heap[0][2].cancelled():
            heappop(self._heap)
        return self._heap[0][0] if self._heap else None

    def _strike(self, when: int) -> None:
        """Every call of that tick, before what they schedule for now: the order of the loop."""
        heap = self._heap
        while heap and heap[0][0] == when:
            call = heappop(heap)[2]
            if call._call is not _nothing:
                self.ticks = when
                call._call(*call._args)
