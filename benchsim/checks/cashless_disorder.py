"""Commands out of sequence: in each state of a cashless device every command that its table does not allow there.

The device says OUT OF SEQUENCE, the master answers with RESET and starts it anew (MDB/ICP 4.3 §7).
"""

from benchsim.checks.cashless_steps import approved, card, price, some
from benchsim.checks.device_cases import CaseList
from benchsim.checks.device_stage import DeviceStage
from benchsim.checks.device_start import STEPS
from benchsim.checks.stage import NotReached

DISORDER = CaseList()
# What ends the wait: a reader may also say what is so, instead of that it was out of sequence (common practice).
ENOUGH = ("OUT OF SEQUENCE", "VEND DENIED", "END SESSION", "MALFUNCTION")
# Commands whose states are certain, with their values.
_COMMANDS = {
    "READER ENABLE": lambda s: {},
    "VEND REQUEST": lambda s: {"price": price(s), "item": 1},
    "VEND CANCEL": lambda s: {},
    "VEND SUCCESS": lambda s: {"item": 1},
    "VEND FAILURE": lambda s: {},
    "SESSION COMPLETE": lambda s: {},
    "REVALUE REQUEST": lambda s: {"amount": some(s, 100)},
    "REVALUE LIMIT": lambda s: {},
    "NEGATIVE VEND": lambda s: {"price": price(s), "item": 1},
}


async def _inactive(s: DeviceStage) -> None:
    """Both SETUPs, so that its level is known, then RESET: Inactive, and the level is as before."""
    await s.just_reset()
    await s.step(STEPS["cashless"][0])


async def _disabled(s: DeviceStage) -> None:
    await s.set_up(until="READER ENABLE")


async def _enabled(s: DeviceStage) -> None:
    await s.set_up()


async def _in_session(s: DeviceStage) -> None:
    await s.set_up()
    await card(s)


async def _vending(s: DeviceStage) -> None:
    await _in_session(s)
    await s.ask("VEND REQUEST", price=price(s), item=1)


async def _approved(s: DeviceStage) -> None:
    await _in_session(s)
    await approved(s)


_STATES = {  # name of the case -> state in the table, how to get there, must a person help
    "inactive": ("Inactive", _inactive, False),
    "disabled": ("Disabled", _disabled, False),
    "enabled": ("Enabled", _enabled, False),
    "session": ("Session Idle", _in_session, True),
    "vend": ("Vend", _vending, True),
    "approved": ("Vend (approved)", _approved, True),
}


async def _wrong(s: DeviceStage, command: str, values: dict) -> None:
    """A command that is not in order, and what the device says to it; silence is no answer."""
    since = len(s.heard)
    try:
        await s.ask(command, **values)
    except NotReached as why:
        s.note(str(why))
    await s.poll_for(*ENOUGH, since=since)


def _case(name: str, state: str, reach, hands: bool) -> None:
    """One state: each wrong command there, a RESET after each."""

    async def play(s: DeviceStage):
        await s.hold_break()
        for command, values in _COMMANDS.items():
            await reach(s)
            if s.defined(command) and not s.spec.legal(state, command, s.mode):
                await _wrong(s, command, values(s))
            await s.reset()
        await s.set_up()
        await s.poll(0.5)

    what = "every command that is not in order there"
    DISORDER.case(f"disorder-{name}", f"In the state {state}: {what}", hands, decide_s=2.0 if name == "vend" else 0.8,
                  level=3, negative_vend=True)(play)  # fmt: skip


for _name, _row in _STATES.items():
    _case(_name, *_row)
