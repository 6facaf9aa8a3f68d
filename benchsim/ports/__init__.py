"""Where a real thing takes a seat: pseudo-terminals and the program that opens them."""

from benchsim.ports.program import Program, split_command
from benchsim.ports.pty import PtyPort

__all__ = ["Program", "PtyPort", "split_command"]
