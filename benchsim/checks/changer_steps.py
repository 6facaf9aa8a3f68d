"""Steps that cases of the coin changer share: what the changer at hand has, and what a customer does."""

from benchsim.checks.device_stage import DeviceStage

TOKEN = 0xFF
FALLS = 0.35  # seconds from slot to answer


def coins(s: DeviceStage, tube: bool) -> list[int]:
    """Coin types with a value that have a tube, or that have none."""
    used = [coin for coin, credit in enumerate(s.setup["credits"]) if credit not in (0, TOKEN)]
    return [coin for coin in used if bool(s.setup["tubes"] >> coin & 1) == tube]


def a_coin(s: DeviceStage, tube: bool = True) -> int:
    """The first such type; NotReached if there is none."""
    found = coins(s, tube)
    s.needs(bool(found), f"this changer has no coin type {'with' if tube else 'without'} a tube")
    return found[0]


def value(s: DeviceStage, coin: int) -> str:
    """What a coin is worth, for people."""
    return f"{s.setup['credits'][coin] * s.setup['scaling'] / 10 ** s.setup['decimals']:.{s.setup['decimals']}f}"


async def insert(s: DeviceStage, coin: int) -> None:
    """A coin is put in."""
    await s.customer(f"Insert a coin of {value(s, coin)} (type {coin})", lambda device: device.insert(coin))


async def credited(s: DeviceStage, coin: int) -> None:
    """A coin is put in, and told."""
    await insert(s, coin)
    await s.poll_for("COIN DEPOSITED")


async def enable(s: DeviceStage, accept: int) -> None:
    """COIN TYPE: take these types."""
    await s.ask("COIN TYPE", accept=accept, manual=0)


async def tubes(s: DeviceStage) -> list[int]:
    """Counts of the tubes, 16 of them."""
    counts = (await s.ask("TUBE STATUS")).fields("TUBE STATUS")
    return list(counts["counts"]) if counts else [0] * 16


async def paid_out(s: DeviceStage) -> None:
    """A payout is over, and the tubes are counted again."""
    await s.poll(0.2)
    await s.poll_until_quiet("PAYOUT BUSY")
    await tubes(s)
