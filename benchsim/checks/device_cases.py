"""Cases that every payment device is put to: start-up, polling, and what can go wrong between it and its master.

A `CaseList` is filled by decorators and then made into the cases of one seat, since the same cases serve all.
"""

from collections.abc import Callable

from benchsim.checks.device_master import cut_off, long, more_mode, no_mode, short, wrong_sum
from benchsim.checks.device_stage import DeviceStage
from benchsim.checks.stage import Case
from benchsim.schema.bus import COMMAND_BITS, DeviceSpec


class CaseList:
    """Cases of devices. `settings`: of the simulated subject, over those of the bench file."""

    def __init__(self):
        self._rows: list[tuple] = []

    def case(self, name: str, provokes: str, hands: bool | str = False, **settings) -> Callable:
        """Register a case: a coroutine over a `DeviceStage`."""

        def register(play):
            self._rows.append((name, provokes, play, hands, settings))
            return play

        return register

    def of(self, seat: str) -> dict[str, Case]:
        """The cases for one seat, by name."""
        return {
            name: Case(name, provokes, ("bus",), play, hands, {seat: settings} if settings else {})
            for name, provokes, play, hands, settings in self._rows
        }


def start_ups(spec: DeviceSpec, seat: str) -> dict[str, Case]:
    """The start-up at each level that this kind of device can have."""

    def at(level: int) -> Case:
        async def play(s: DeviceStage):
            await start_up(s)
            if s.mode.level != level:
                s.note(f"this device speaks level {s.mode.level}, the case was for level {level}")

        name, provokes = f"start-up-level-{level}", f"Nothing: a device of level {level} is started and polled"
        return Case(name, provokes, ("bus",), play, seats={seat: {"level": level}})

    return {case.name: case for case in map(at, spec.levels)}


# Commands that change something, with the values of a case that spoils them: (name, values from the stage).
CHANGING: dict[str, tuple[tuple[str, Callable], ...]] = {
    "changer": (
        ("COIN TYPE", lambda s: {"accept": 0, "manual": 0}),
        ("DISPENSE", lambda s: {"count": 1, "coin": 0}),
        ("FEATURES", lambda s: {"features": 0}),
        ("PAYOUT", lambda s: {"value": s.setup["credits"][0]}),
    ),
    "validator": (
        ("BILL TYPE", lambda s: {"enable": 0, "escrow": 0}),
        ("SECURITY", lambda s: {"types": 0}),
        ("ESCROW", lambda s: {"stack": 1}),
        ("FEATURES", lambda s: {"features": 0}),
    ),
    "cashless": (
        ("SETUP CONFIG", lambda s: {"level": 1, "columns": 0, "rows": 0, "display": 0}),
        ("VEND REQUEST", lambda s: {"price": 100, "item": 1}),
        ("SESSION COMPLETE", lambda s: {}),
        ("READER DISABLE", lambda s: {}),
        ("FEATURES", lambda s: {"features": 0}),
    ),
    "gateway": (("CONTROL DISABLE", lambda s: {}), ("FEATURES", lambda s: {"features": 0})),
    "satellite": (
        ("CONTROL DISABLE", lambda s: {}),
        ("FUNDS", lambda s: {"funds": 1000}),
        ("VEND ITEM", lambda s: {"row": 0, "column": 0}),
    ),
}
# Commands that are answered with data and change nothing.
READING: dict[str, tuple[str, ...]] = {
    "changer": ("SETUP", "TUBE STATUS", "IDENTIFICATION", "DIAGNOSTIC STATUS"),
    "validator": ("SETUP", "STACKER", "IDENTIFICATION", "IDENTIFICATION 2"),
    "cashless": (),
    "gateway": (),
    "satellite": (),
}
UNKNOWN_SUB = 0x7E  # of no command in any device's table
COMMON = CaseList()


def changing(s: DeviceStage) -> list[tuple[str, dict]]:
    """The commands of `CHANGING` that this device knows, with their values."""
    return [(name, values(s)) for name, values in CHANGING[s.spec.name] if s.defined(name)]


def reading(s: DeviceStage) -> list[str]:
    """The commands of `READING` that this device knows."""
    return [name for name in READING[s.spec.name] if s.defined(name)]


async def start_up(s: DeviceStage) -> None:
    """The start-up, then a second of polling."""
    await s.start_up()
    await s.poll(1)


@COMMON.case("polling", "Nothing: eight quiet seconds")
async def polling(s: DeviceStage):
    await s.start_up()
    await s.poll(8)


@COMMON.case("slow-polling", "POLL every 199 ms, then every 25 ms: as slow and as fast as may be")
async def slow_polling(s: DeviceStage):
    await s.start_up()
    await s.poll(3, every=0.199)
    await s.poll(1, every=0.025)


@COMMON.case("late-replies", "The master's ACK begins 4.8 ms after the data: late but legal")
async def late_replies(s: DeviceStage):
    s.reply_late(4.8)
    await s.start_up()
    await s.poll(1)


@COMMON.case("wrong-sums", "Every command that changes something comes with a wrong checksum, RESET last")
async def wrong_sums(s: DeviceStage):
    await s.start_up()
    for name, values in changing(s):
        await s.spoilt(wrong_sum, name, **values)
        await s.poll(0.3)
    await s.spoilt(wrong_sum, "RESET")
    await s.poll(1)


@COMMON.case("wrong-mode-bits", "Commands without a mode bit, and with one too many")
async def wrong_mode_bits(s: DeviceStage):
    await s.start_up()
    for how in (no_mode, more_mode):
        for name, values in [*changing(s), ("RESET", {}), ("POLL", {})]:
            await s.spoilt(how, name, **values)
            await s.poll(0.2)
    await s.poll(1)


@COMMON.case("wrong-lengths", "Commands with a word too few, one too many, and without their checksum")
async def wrong_lengths(s: DeviceStage):
    await s.start_up()
    for how in (short, long, cut_off):
        for name, values in changing(s):
            if how is not short or len(s.words(name, **values)) > 2:
                await s.spoilt(how, name, **values)
                await s.poll(0.2)
    await s.poll(1)


@COMMON.case("unknown-commands", "Codes that the standard does not define, and commands of another level")
async def unknown_commands(s: DeviceStage):
    await s.start_up()
    for code in range(COMMAND_BITS + 1):
        head = (s.address | code, UNKNOWN_SUB) if s.spec.needs_sub(s.address | code) else (s.address | code,)
        if s.spec.command_at(bytes(head)) is None:
            await s.raw(*head)
            await s.poll(0.2)
    for name, command in s.spec.commands.items():
        if not s.defined(name) and command.depth != "link" and command.form.plain.least == 0:
            await s.once(name)
            await s.poll(0.2)
    await s.poll(1)


@COMMON.case("gap-in-command", "Pauses inside commands: 0.9 ms is legal, 15 ms make them void")
async def gap_in_command(s: DeviceStage):
    await s.start_up()
    for name in reading(s):
        await s.gapped(0.9, name)
        await s.gapped(15, name)
        await s.poll(0.2)
    for name, values in changing(s):
        await s.gapped(15, name, **values)
        await s.poll(0.2)
    await s.gapped(15, "RESET")
    await s.poll(1)


@COMMON.case("ask-again", "The master answers every kind of data with RET, once and twice, then with ACK")
async def ask_again(s: DeviceStage):
    s.reply_with("RET", "ACK")  # JUST RESET, wherever it comes
    await s.start_up()
    for name in reading(s):
        s.reply_with("RET", "ACK", "RET", "RET", "ACK")
        await s.ask(name)
        await s.keep_polling()
        await s.ask(name)
        await s.poll(0.2)
    await s.reset()
    s.reply_with("RET", "RET", "ACK")
    await s.set_up()
    await s.poll(0.5)


@COMMON.case("not-taken", "Data of the start-up get NAK, then no reply at all, then ACK")
async def not_taken(s: DeviceStage):
    s.reply_with("NAK", None, "ACK")
    await s.start_up()
    for name in reading(s):
        s.reply_with("NAK", None, "ACK")
        await s.ask(name)
        await s.poll(0.2)
    await s.poll(0.5)


@COMMON.case("resets", "Ten RESETs, each with its JUST RESET taken")
async def resets(s: DeviceStage):
    await s.start_up()
    for _ in range(10):
        await s.reset()
        await s.just_reset()
    await s.reset()
    await s.set_up()
    await s.poll(1)


@COMMON.case("resets-in-a-row", "Five RESETs without a POLL between them")
async def resets_in_a_row(s: DeviceStage):
    await s.start_up()
    for _ in range(5):
        await s.reset()
    await s.set_up()
    await s.poll(1)


@COMMON.case("break-while-talking", "A break begins while the device answers, and in the middle of a start-up")
async def break_while_talking(s: DeviceStage):
    await s.start_up()
    for name in reading(s) or ("POLL",):
        await s.break_into(name)
        await s.set_up()
        await s.poll(0.3)
    await s.hold_break()
    await s.just_reset()
    await s.hold_break(ms=300)
    await s.set_up()
    await s.poll(1)


@COMMON.case("other-addresses", "Commands to every other address of the bus: not this device's matter")
async def other_addresses(s: DeviceStage):
    await s.start_up()
    for address in range(0, 0x100, COMMAND_BITS + 1):
        if address != s.address:
            for code in (0, 2, 3):  # RESET, and POLL of one kind of device or the other
                await s.raw(address | code)
            await s.poll(0.05)
    await s.poll(1)


@COMMON.case("master-silent", "The master says nothing for ten seconds, then goes on as before")
async def master_silent(s: DeviceStage):
    await s.start_up()
    await s.poll(0.5)
    await s.sleep(10)
    await s.poll(2)


@COMMON.case("close-commands", "Commands follow each other as fast as may be")
async def close_commands(s: DeviceStage):
    await s.start_up()
    for _ in range(3):
        for name in reading(s):
            await s.ask(name)
            await s.keep_polling()
        await s.poll(0.05, every=0.025)
    await s.poll(1)
