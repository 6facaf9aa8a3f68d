"""VCD (IEEE 1364-2005 §18): the levels of the conductors, for and from logic analysers.

One wire a conductor, idle 1: `bus_out` and `bus_in`, `kit_out` (host to board) and `kit_in`, `audit_out`
and `audit_in`, `panel_in` (the panel alone speaks there). The writer's time scale is 1 us: an edge is at
most 0.5 us off. What the levels do not tell stands in comments: `link=bus;sender-out=board;…`.

The reader takes what any analyser exports: any time scale, other signals beside ours, other names
(by a line map), lines that idle low, short pulses, unknown states. It says in `notes` what it made of them.

This module holds what both share; `vcd_writer` draws levels, `vcd_reader` makes words of them.
"""

from benchsim.captures.base import NOMINAL


def wires_of(name: str) -> list[str]:
    """The conductors of a link."""
    return [f"{name}_in"] if name == "panel" else [f"{name}_out", f"{name}_in"]


def data_bits(name: str) -> int:
    return NOMINAL[name].bits if name in NOMINAL else 8
