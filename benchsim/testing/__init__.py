"""Benches for test code: a user's own host, board or device takes a seat, and every rule looks on.

`VirtualBench` runs in virtual time, its seats are reached through stream readers and writers; `PtyBench` runs in real
time on pseudo-terminals. Both are context managers and know nothing of pytest, whose fixtures hand them out.
"""

from importlib import import_module

_WHERE = {"OwnBench": "own_bench", "PtyBench": "pty_bench", "VirtualBench": "virtual_bench"}
__all__ = list(_WHERE)


def __getattr__(name: str):
    """Imported when first asked for: ports and their libraries are of no use in virtual time."""
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_WHERE[name]}"), name)
