"""Steps of a session with a cashless device under test, for its cases."""

from benchsim.checks.device_stage import DeviceStage

CARD = "Hold a card to the reader"


def has(s: DeviceStage, feature: int, name: str) -> None:
    """NotReached unless that feature bit is enabled."""
    s.needs(bool(s.mode.features >> feature & 1), f"this reader does not offer {name} (level 3, feature {feature})")


def some(s: DeviceStage, minor: int) -> int:
    """An amount of minor units as it goes over the bus; 1 at least."""
    return max(1, minor // (s.setup["scale"] or 1))


def price(s: DeviceStage) -> int:
    """A price that most cards can pay, as it goes over the bus."""
    return some(s, 100)


def no_more(s: DeviceStage, since: int, *names: str) -> bool:
    """Was none of these told, from `since` in `heard` on?"""
    return not any(message.name in names for message in s.heard[since:])


def many(*replies: str | None) -> tuple[str | None, ...]:
    """The same replies for each of the next fifty answers."""
    return replies * 50


async def card(s: DeviceStage, funds: int | None = 1000) -> None:
    """A customer with a card (funds in minor units); the session begins."""
    since = len(s.heard)
    await s.customer(CARD, lambda device: device.card(funds))
    await s.poll_for("BEGIN SESSION", since=since)


async def request(s: DeviceStage, name: str = "VEND REQUEST", value: int | None = None) -> str:
    """A vend is asked for. Returns the name of the answer."""
    values = {"price": price(s) if value is None else value, "item": 1}
    return (await s.ask_for(name, "VEND APPROVED", "VEND DENIED", **values)).name


async def approved(s: DeviceStage) -> None:
    """A vend is asked for and approved; NotReached if it is denied."""
    s.needs(await request(s) == "VEND APPROVED", "the vend was denied")


async def succeed(s: DeviceStage) -> None:
    """The vend was delivered."""
    await s.ask("VEND SUCCESS", item=1)


async def fail(s: DeviceStage) -> None:
    """The vend was not delivered."""
    await s.ask("VEND FAILURE")
    await s.poll(0.3)


async def complete(s: DeviceStage) -> None:
    """The session is closed."""
    await s.ask_for("SESSION COMPLETE", "END SESSION")
    await s.poll(0.3)


async def sell(s: DeviceStage, funds: int | None = 1000) -> None:
    """A card, a vend approved and delivered, the session closed."""
    await card(s, funds)
    await approved(s)
    await s.poll(0.5)
    await succeed(s)
    await complete(s)
