"""Serial adapters of this computer, with the path that finds each again."""

from pathlib import Path
from typing import NamedTuple

from serial.tools import list_ports

from benchsim.ports.stable import BY_ID, stable_path


class Adapter(NamedTuple):
    """One adapter, as the system describes it. Empty text: not told."""

    device: str
    stable: str  # the path to write in WHERE: the same after it was pulled and came back
    description: str
    serial_number: str


def adapters(folder: Path = BY_ID) -> list[Adapter]:
    """All that the system tells of, by path."""
    return [
        Adapter(
            port.device,
            stable_path(port.device, folder),
            port.description if port.description != "n/a" else "",
            port.serial_number or "",
        )
        for port in sorted(list_ports.comports(), key=lambda port: port.device)
    ]
