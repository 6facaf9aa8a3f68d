"""Where a real thing takes a seat: pseudo-terminals, serial devices, sockets, and the program that opens them."""

from benchsim.ports.base import Port
from benchsim.ports.program import Program, split_command
from benchsim.ports.pty import PtyPort
from benchsim.ports.where import default_where, device_of, open_port

__all__ = ["Port", "Program", "PtyPort", "default_where", "device_of", "open_port", "split_command"]
