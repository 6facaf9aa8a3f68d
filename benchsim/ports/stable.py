"""The path that leads to the same adapter after it was pulled and came back (Linux)."""

import os
from pathlib import Path

BY_ID = Path("/dev/serial/by-id")


def stable_path(device: str, folder: Path = BY_ID) -> str:
    """That path if `device` has one, else `device`."""
    target = os.path.realpath(device)
    links = sorted(folder.iterdir()) if folder.is_dir() else []
    return next((str(link) for link in links if os.path.realpath(link) == target), device)
