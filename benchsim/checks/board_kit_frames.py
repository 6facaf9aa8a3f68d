"""Cases of the board plan on the kit link: frames that are torn, spoilt, or legal and unusual."""

from benchsim.checks.board_asker import FREE, gap_in_the_middle
from benchsim.checks.board_kit_steps import case, on_sale
from benchsim.checks.board_stage import BoardStage
from benchsim.checks.stage import NotReached
from benchsim.events import TICKS_PER_MS
from benchsim.links.kit_frames import one_bit_wrong, wrap
from benchsim.schema.kit_framing import Flags

FLAG, ESCAPE, FLIP = 0x7E, 0x7D, 0x20  # RFC 1662 §3.1, §4.2


@case("kit-corrupt", "Requests with one bit wrong, a VEND among them: each is dropped in silence")
async def corrupt(s: BoardStage):
    kit = await on_sale(s)
    for i in range(6):
        wire = wrap(kit.spec, kit.request(kit.harmless))
        await kit.say(one_bit_wrong(kit.spec, wire, 1 + i % (len(wire) - 2)))
        await kit.ask("POLL")
    for i in (3, 4, 7):
        wire = wrap(kit.spec, kit.request("VEND", row=0, column=0, price=FREE))
        await kit.say(one_bit_wrong(kit.spec, wire, i % len(wire)))
        await kit.ask("POLL")
    await kit.poll_for(3.0)


@case("kit-torn", "Frames that are cut off, aborted, too short or too long, and bytes outside any frame")
async def torn(s: BoardStage):
    kit = await on_sale(s)
    whole = wrap(kit.spec, kit.request(kit.harmless))
    bad = [
        whole[:4],  # no end: silence drops it
        wrap(kit.spec, b"\x01"),  # a body too short
        wrap(kit.spec, kit.request(kit.harmless) + bytes(kit.spec.most)),  # one longer than any may be
        bytes(range(0x30, 0x60)),
    ]
    if isinstance(kit.spec.framing, Flags):
        bad += [
            whole[:3] + bytes((ESCAPE, FLAG)),  # aborted
            bytes((FLAG, 0x01, FLAG)),  # too short for a check
            bytes((FLAG, 0x12, 0x34, FLAG)),
        ]
    for wire in bad:
        await kit.say(wire)
        await s.sleep(0.03)
        await kit.ask("POLL")
    await kit.poll_for(0.5)


@case("kit-gaps", "Frames with a short pause in them are legal, with one longer than the limit they are dropped")
async def gaps(s: BoardStage):
    kit = await on_sale(s)
    longest = kit.spec.limits["gap"].high / TICKS_PER_MS
    for ms in (0.4 * longest, 2.5 * longest) * 2:
        body = kit.request(kit.harmless)
        await kit.exchange(body, gap_in_the_middle(wrap(kit.spec, body), ms))
        await s.sleep(0.03)
        await kit.ask("POLL")
    await kit.poll_for(0.5)


@case("kit-odd-frames", "Empty frames, a shared flag, and escapes that nothing needs: legal, if unusual")
async def odd_frames(s: BoardStage):
    kit = await on_sale(s)
    if not isinstance(kit.spec.framing, Flags):
        raise NotReached("the frames of this link have no flags")
    for dress in (with_empty_frames, with_one_flag_shared, with_every_byte_escaped):
        body = kit.request(kit.harmless)
        if not await kit.say(dress(wrap(kit.spec, body))):
            await kit.exchange(body)  # a board that hears only plain frames owns up here
        await kit.ask("POLL")
    await kit.poll_for(0.5)


def with_empty_frames(wire: bytes) -> bytes:
    """Flags before and behind."""
    return bytes((FLAG, FLAG, FLAG)) + wire + bytes((FLAG, FLAG))


def with_one_flag_shared(wire: bytes) -> bytes:
    """A void frame ends with the flag that begins the good one."""
    return bytes((FLAG, 0x55, 0x55, 0x55, 0x55, 0x55)) + wire


def with_every_byte_escaped(wire: bytes) -> bytes:
    """A receiver undoes any escape; a byte that would become flag or escape, or is one already, stays."""
    out = bytearray()
    for i, byte in enumerate(wire):
        plain = i in (0, len(wire) - 1) or byte ^ FLIP in (FLAG, ESCAPE) or byte == ESCAPE or wire[i - 1] == ESCAPE
        out += bytes((byte,)) if plain else bytes((ESCAPE, byte ^ FLIP))
    return bytes(out)


@case("kit-answers-to-board", "Frames that are answers, not requests: the board has asked for nothing")
async def unasked(s: BoardStage):
    kit = await on_sale(s)
    if not kit.spec.answer_bit:
        raise NotReached("a request and an answer of this link do not differ")
    for name in ("RESET", "POLL", "VEND"):
        await kit.say(wrap(kit.spec, kit.spec.build_status(kit.spec.by_name[name].code, kit.seq, 0)))
        await kit.ask("POLL")
    await kit.poll_for(0.5)
