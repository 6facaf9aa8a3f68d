"""Steps that cases of the bill validator share: what the validator at hand has, and what a customer does."""

from benchsim.checks.device_stage import DeviceStage

IN_ESCROW = 1  # route of BILL
OUTCOME = 35.0  # seconds from ESCROW to what became of the bill: 30 at most, and some to see that it was late
ALL = {"enable": 0xFFFF, "escrow": 0xFFFF}



def bills(s: DeviceStage) -> list[int]:
    """Bill types with a value."""
    found = [bill for bill, credit in enumerate(s.setup["credits"]) if credit not in (0, 0xFF)]
    s.needs(bool(found), "this validator knows no bill")
    return found


def value(s: DeviceStage, bill: int) -> str:
    """What a bill is worth, for people."""
    return f"{s.setup['credits'][bill] * s.setup['scaling'] / 10 ** s.setup['decimals']:.{s.setup['decimals']}f}"


def has_escrow(s: DeviceStage) -> None:
    """NotReached where it has none."""
    s.needs(bool(s.setup["escrow"]), "this validator has no escrow")


async def insert(s: DeviceStage, bill: int) -> None:
    """A bill is put in."""
    await s.customer(f"Insert a bill of {value(s, bill)} (type {bill})", lambda device: device.insert(bill))


async def to_escrow(s: DeviceStage, bill: int) -> None:
    """A bill is put in and waits in escrow."""
    has_escrow(s)
    await insert(s, bill)
    told = await s.poll_for("BILL", within=10)
    s.needs(told.fields["route"] == IN_ESCROW, "the bill did not wait in escrow")


async def decide(s: DeviceStage, stack: bool) -> None:
    """ESCROW, and what becomes of the bill."""
    await s.ask("ESCROW", stack=int(stack))
    await s.poll_for("BILL", within=OUTCOME)
