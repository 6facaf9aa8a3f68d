"""Timed words on conductors, and the one order in which they are told."""

from benchsim.lines.line import Line
from benchsim.lines.trace import Trace

__all__ = ["Line", "Trace"]
