"""The path that leads to the same adapter after it was pulled and came back (Linux)."""

import os
from pathlib import Path

BY_ID = Path("/dev/serial/by-id")


def stable_path(device: str, folder: Path = BY_ID) -> str:
    """That path if `device` has one, else `device`."""
    target = os.path.realpath(device)
    try:
        links = sorted(folder.iterdir())
    except OSError:  # it is there only while there are adapters
        links = []
    return next((str(link) for link in links if os.path.realpath(link) == target), device)
