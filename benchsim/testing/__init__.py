"""Benches for test code: a user's own host, board or device takes a seat, and every rule looks on.

`VirtualBench` runs in virtual time, its seats are reached through stream readers and writers; `PtyBench` runs in real
time on pseudo-terminals. Both are context managers and know nothing of pytest, whose fixtures hand them out.
"""

from benchsim.testing.own_bench import OwnBench
from benchsim.testing.pty_bench import PtyBench
from benchsim.testing.virtual_bench import VirtualBench

__all__ = ["OwnBench", "PtyBench", "VirtualBench"]
