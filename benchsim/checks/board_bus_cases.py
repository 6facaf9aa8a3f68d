"""Cases of the board plan on the payment bus: whatever may befall an answer, a device, a harness.

They need the bus alone: a board whose kit link is not reached is checked by them all the same, once it takes
money by itself.
"""

from collections.abc import Callable
from functools import partial

from benchsim.checks.board_stage import (
    PAYERS,
    BoardStage,
    as_it_is,
    bare_nak,
    corrupt,
    cut_short,
    early_mode,
    lost,
    no_mode,
    one_too_many,
)
from benchsim.checks.stage import Cases, NotReached

CASES = Cases("bus")
case = CASES.case
SETTLED = 4.5  # seconds until no money is on its way any more
PAID = 4.0  # seconds for a payout of some twenty coins
MOST_POLL = 16  # bytes in one answer to POLL (MDB/ICP 4.3 §5)

# ---- spoilt answers

SPOILT = {
    "answers-lost": ("is never sent", lost, True),
    "answers-corrupt": ("has a wrong bit", corrupt, True),
    "answers-without-end": ("has no mode bit on its last word", no_mode, True),
    "answers-all-ends": ("has the mode bit on every word", early_mode, True),
    "answers-cut-short": ("ends after half of its words", cut_short, True),
    "answers-too-long": ("has a byte too many", one_too_many, False),
    "answers-naked": ("is a NAK", bare_nak, True),
}


async def spoilt(s: BoardStage, change: Callable, money: bool) -> None:
    """Two answers to POLL of each device; two answers of each start-up; the answers that tell of money."""
    await s.enabled()
    for seat in PAYERS:
        s.spoil(seat, 2, change, "POLL")
        await s.sleep(0.4)
    for seat in PAYERS:
        s.device(seat).restart()
        s.spoil(seat, 2, change, "SETUP CONFIG" if seat == "cashless1" else "SETUP")
    await s.sleep(0.5)
    await s.enabled()
    await s.sleep(1)
    if money:
        s.spoil("changer", 1, change, "POLL", data=True)
        s.coin()
        await s.sleep(1)
        s.spoil("validator", 1, change, "POLL", data=True)
        s.small_bill()
        await s.sleep(SETTLED)
        s.device("changer").lever()
        await s.sleep(PAID + SETTLED)


for _name, (_what, _change, _money) in SPOILT.items():
    _says = "answers to POLL and SETUP" + (", and of those that tell of a coin and a bill, one" if _money else "")
    case(_name, f"Of each device some {_says} {_what}")(partial(spoilt, change=_change, money=_money))


@case("answers-just-in-time", "Every answer of every device begins 4.9 ms after the command: late, but legal")
async def just_in_time(s: BoardStage):
    for seat in PAYERS:
        s.spoil(seat, 100_000, as_it_is, delay_ms=4.9)
    await s.enabled()
    s.coin()
    await s.sleep(3)


@case("answers-late", "Some answers begin 5.2 ms after the command: the device is at fault, the board must go on")
async def late(s: BoardStage):
    await s.enabled()
    for _ in range(3):
        for seat in PAYERS:
            s.spoil(seat, 1, as_it_is, "POLL", delay_ms=5.2)
            await s.sleep(0.35)
    await s.sleep(2)


@case("two-talk", "With some answers another device talks at the same time")
async def two_talk(s: BoardStage):
    await s.enabled()
    for seat, other in (("changer", "validator"), ("validator", "cashless1"), ("cashless1", "changer")):
        s.talk_over(seat, other)
        await s.sleep(0.6)
    await s.sleep(2)


@case("commands-refused", "Each device answers three commands with NAK, then goes on")
async def refused(s: BoardStage):
    await s.enabled()
    for seat in PAYERS:
        s.device(seat).nak(3)
        await s.sleep(0.7)
    await s.sleep(1)
    s.coin()
    await s.sleep(2)


@case("refused-at-start", "Every device refuses each command but RESET and POLL once, at its start too")
async def refused_at_start(s: BoardStage):
    for seat in PAYERS:
        s.device(seat).refuses = True
    await s.enabled()
    await s.sleep(1)


# ---- silence and resets

# Just under, and well over, the non-response times of MDB/ICP 4.3 §3 (changer 2 s, others 5 s).
SILENCES = {"changer": (1.5, 3.5), "validator": (4.4, 7.0), "cashless1": (4.4, 7.0)}


async def silent(s: BoardStage, seat: str, seconds: float) -> None:
    await s.enabled(seat)
    await s.sleep(0.5)
    s.device(seat).quiet(seconds)
    await s.sleep(seconds + 0.5)
    await s.enabled(seat)
    await s.sleep(1)


for _seat, (_short, _long) in SILENCES.items():
    for _which, _for in (("short", _short), ("long", _long)):
        _than = "shorter" if _which == "short" else "longer"
        case(f"silent-{_which}-{_seat}", f"The {_seat} says nothing for {_for} s, {_than} than its non-response time")(
            partial(silent, seat=_seat, seconds=_for)
        )


async def unplugged(s: BoardStage, seat: str, seconds: float) -> None:
    await s.enabled(seat)
    await s.sleep(0.5)
    s.device(seat).stop()
    await s.sleep(seconds)
    s.device(seat).start()
    await s.enabled(seat)
    await s.sleep(1)


for _seat, _for in (("changer", 16.0), ("validator", 9.0), ("cashless1", 9.0)):
    case(f"unplugged-{_seat}", f"The {_seat} is without power for {_for:g} s, then comes back")(
        partial(unplugged, seat=_seat, seconds=_for)
    )


async def restarted(s: BoardStage, seat: str) -> None:
    await s.enabled(seat)
    await s.sleep(0.5)
    for pause in (1.0, 0.05):  # the second time in the middle of its start-up
        s.device(seat).restart()
        await s.sleep(pause)
    s.device(seat).restart()
    await s.sleep(1)
    await s.enabled(seat)
    await s.sleep(1)


for _seat in PAYERS:
    case(f"just-reset-{_seat}", f"The {_seat} resets itself, and again while it is being started")(
        partial(restarted, seat=_seat)
    )


@case("added-later", "The bill validator and a second reader get their power only when the machine is running",
      seats={"cashless2": {}})  # fmt: skip
async def added_later(s: BoardStage):
    late = ("validator", "cashless2")
    for seat in late:
        s.device(seat).stop()
    await s.enabled("changer", "cashless1")
    await s.sleep(2)
    for seat in late:
        s.device(seat).start()
    await s.enabled(*late)
    await s.sleep(1)


@case("never-there", "The bill validator and the reader never get power: only coins are taken")
async def never_there(s: BoardStage):
    for seat in ("validator", "cashless1"):
        s.device(seat).stop()
    await s.enabled("changer")
    await s.sleep(8)


@case("harness-cut", "The bus cable is out for three seconds")
async def harness_cut(s: BoardStage):
    await s.enabled()
    await s.sleep(0.5)
    await s.cut_harness(3.0)
    await s.enabled()
    await s.sleep(1)


@case("harness-loose", "The bus cable is out for a tenth of a second, five times")
async def harness_loose(s: BoardStage):
    await s.enabled()
    for _ in range(5):
        await s.cut_harness(0.1)
        await s.sleep(0.4)
    await s.enabled()
    await s.sleep(1)


# ---- what devices tell


async def troubles(s: BoardStage, seat: str) -> None:
    """Every state of the device, one after the other, each for 0.3 s."""
    await s.enabled(seat)
    device = s.device(seat)
    for name, activity in device.spec.activities.items():
        if activity.event or name in ("JUST RESET", "BUSY", "PAYOUT BUSY", "DISABLED") or activity.confidence == "C":
            continue
        device.trouble(name)
        await s.sleep(0.3)
        device.trouble(name, False)
        await s.sleep(0.15)
    await s.enabled(seat)
    await s.sleep(1)


for _seat in ("changer", "validator"):
    case(f"troubles-{_seat}", f"The {_seat} tells of everything that may be wrong with it, one after the other")(
        partial(troubles, seat=_seat)
    )


@case("busy-devices", "Changer and bill validator are busy for two seconds each")
async def busy(s: BoardStage):
    await s.enabled()
    s.device("changer").busy(2.0)
    await s.sleep(2.5)
    s.device("validator").busy(2.0)
    await s.sleep(2.5)
    await s.enabled()
    await s.sleep(0.5)


# What devices may tell beside money, and codes that no device has: MDB/ICP 4.3 §5, §6, §7.
TOLD = {
    "changer": ("21", "3f", "03", "05", "09", "0d", "0a", "01", "0e", "1a", "0310", "21030509"),
    "validator": ("41", "5f", "03", "07", "09", "0b", "0c", "a0", "0d", "1a", "2f", "410b"),
    "cashless1": ("0211484920", "0a10", "0a50", "0a80", "0ac0", "0e", "11", "12", "13", "20", "55", "0a1f0a20"),
}


async def told(s: BoardStage, seat: str) -> None:
    """Each code in place of an ACK to POLL; what is not known is passed over."""
    await s.enabled(seat)
    codes = [bytes.fromhex(code) for code in TOLD[seat]]
    s.tell(seat, *codes)
    await s.sleep(0.25 * len(codes))
    await s.enabled(seat)
    await s.sleep(2)


for _seat in PAYERS:
    case(f"codes-{_seat}", f"The {_seat} tells of slugs, errors and requests, and says codes that nobody knows")(
        partial(told, seat=_seat)
    )


@case("full-answers", "The changer fills its answers to POLL up to 16 bytes")
async def full_answers(s: BoardStage):
    await s.enabled("changer")
    s.tell("changer", bytes((0x21,)) * MOST_POLL, bytes((0x05, 0x03)) * (MOST_POLL // 2))
    await s.sleep(2)


# ---- money that does not fit


@case("other-currency", "Changer and bill validator count in another currency than the first one told",
      seats={"validator": {"currency": "1840"}})  # fmt: skip
async def other_currency(s: BoardStage):
    await s.enabled("changer")
    await s.sleep(4)
    if s.takes("validator"):
        s.note("bills of another currency than the coins' are taken")


@case("unknown-level", "The changer is of a level that no standard knows yet", seats={"changer": {"level": 3}})
async def unknown_level(s: BoardStage):
    def higher(words):
        return (7, *words[1:-1], ((words[-1] & 0xFF) - words[0] + 7) & 0xFF | 0x100)

    s.spoil("changer", 1, higher, "SETUP")
    await s.enabled("validator")
    await s.sleep(3)


@case("worthless-coins", "The changer's coins have no scaling: none is worth anything")
async def worthless(s: BoardStage):
    def no_scaling(words):
        return (*words[:3], 0, *words[4:-1], ((words[-1] & 0xFF) - words[3]) & 0xFF | 0x100)

    s.spoil("changer", 2, no_scaling, "SETUP")
    await s.enabled("cashless1")
    await s.sleep(3)


@case("reader-malfunction", "The reader reports errors of its own, some of which only a RESET ends")
async def malfunction(s: BoardStage):
    await s.enabled("cashless1")
    for code in (0x00, 0x10, 0x30, 0x50, 0x80):
        s.device("cashless1").malfunction(code)
        await s.sleep(0.6)
    await s.enabled("cashless1")
    await s.sleep(1)


@case("card-pulled-idle", "A card is held up and taken away again, three times")
async def card_pulled(s: BoardStage):
    for _ in range(3):
        await s.enabled("cashless1")
        if not s.device("cashless1").card(500):
            raise NotReached("the reader took no card")
        await s.sleep(1)
        s.device("cashless1").pull()
        await s.sleep(1)
    await s.sleep(3)


@case("lever-idle", "The return lever is pressed without any credit")
async def lever_idle(s: BoardStage):
    await s.enabled("changer")
    for _ in range(3):
        s.device("changer").lever()
        await s.sleep(0.4)
    await s.sleep(1)


@case("stacker-full", "The last bill fills the bill validator's stacker; later it is emptied",
      seats={"validator": {"stacked": 399, "capacity": 400}})  # fmt: skip
async def stacker_full(s: BoardStage):
    await s.enabled("validator")
    s.small_bill()
    await s.sleep(9)
    s.device("changer").lever()
    s.device("validator").empty()
    s.device("validator").restart()
    await s.enabled("validator")
    await s.sleep(PAID + SETTLED)
