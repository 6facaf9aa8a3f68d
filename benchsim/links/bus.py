"""The payment bus (MDB/ICP): blocks on the wire, and the machines of its two sides."""

from benchsim.links.bus_blocks import FAULTS, Block, BlockReader
from benchsim.links.bus_sides import BusDevice, BusMaster, Outcome

__all__ = ["FAULTS", "Block", "BlockReader", "BusDevice", "BusMaster", "Outcome"]
