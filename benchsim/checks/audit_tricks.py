"""What a case changes at one of the audit link's simulated sides: its words on their way out, what it takes notice of."""

from collections.abc import Callable

from benchsim.links.audit_blocks import Item

Which = Callable[[bytes], bool]
Change = Callable[[bytes], bytes | None]


def instead(chair, which: Which, change: Change, times: int = 1, after: int = 0) -> None:
    """The next things said that are `which` go out changed, so many times, once `after` of them went out as they
    are. A change to None: nothing is said."""
    seen = [0]

    def trick(wire: bytes) -> bytes | None:
        if not which(wire):
            return wire
        seen[0] += 1
        if seen[0] <= after:
            return wire
        if seen[0] >= after + times:
            chair.tricks.remove(trick)
        return change(wire)

    chair.tricks.append(trick)


def overhear(chair, which: Callable[[Item], bool], times: int = 1, after: int = 0) -> None:
    """The side takes no notice of so many things that are `which`, once it took notice of `after` of them."""
    seen, told = [0], chair.talk.told

    def hears(item: Item) -> None:
        if which(item):
            seen[0] += 1
            if after < seen[0] <= after + times:
                return
        told(item)

    chair.talk.told = hears


def is_block(wire: bytes) -> bool:
    """Is a block said?"""
    return len(wire) > 2


def spoilt(wire: bytes) -> bytes:
    """The last byte of the check is wrong."""
    return wire[:-1] + bytes((wire[-1] ^ 0x01,))


def half(wire: bytes) -> bytes:
    """It stops in its middle."""
    return wire[: len(wire) // 2]


def nothing(wire: bytes) -> None:
    """It is not said at all."""
