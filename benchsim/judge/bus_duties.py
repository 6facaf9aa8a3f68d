"""The payment bus, exchange by exchange: rules that need to remember what a device said and was told.

Source: MDB/ICP 4.3 §2 and §3; the timing of the first RESET after silence is common practice.
"""

from benchsim.events import MODE, TICKS_PER_SECOND
from benchsim.judge.bus_known import EVERY_FEATURE
from benchsim.judge.held_up import HeldUp
from benchsim.judge.registry import rule
from benchsim.schema.bus import Mode
from benchsim.schema.limits import Limit

GROWING = ("count",)  # may have grown when an event is offered again
MOVING = ("tube",)  # may have changed by then
FOR_CAUSE = ("OUT OF SEQUENCE", "MALFUNCTION")  # answers that a controller may meet with RESET


def patience(known) -> int | None:
    """Non-response time of a device, ticks; None where no file tells it. For a cashless device the larger
    of the limit and its SETUP answer (MDB/ICP 4.3 §3)."""
    if known is None or known.device is None:
        return None
    return max(known.device.limits["non_response"].high, known.response_s * TICKS_PER_SECOND)


def certain(known) -> bool:
    """Is its non-response time sure enough to fail anybody by?"""
    return known.device.limits["non_response"].confidence != "C"


def in_s(ticks: int) -> str:
    """Ticks as seconds for people."""
    return f"{ticks / TICKS_PER_SECOND:.1f} s"


def _own_patience(known) -> Limit:
    """The limit of its non-response time that holds for this device."""
    limit = known.device.limits["non_response"]
    return limit._replace(high=patience(known))


@rule("BUS-SILENT", judged="device", link="bus", source="MDB/ICP 4.3 §3", confidence="B")
def silent(tally, judge):
    """Once it has answered, a device is not silent to its own address beyond its non-response time."""
    answered = set()  # seats; never iterated
    since = {}  # seat -> [end of the first command that it let pass, end of the last, where it became too long]

    def answer(x, h):
        answered.add(h.seat)
        if x.seat == h.seat and x.known and x.known.device:
            count(h.seat, x.known)
            over(h.seat)
            count(h.seat, x.known).check(True, h)

    def count(seat, known):
        made = tally.counts.get(seat) or tally.of(seat, _own_patience(known))
        if known.response_s and made.limit.high != patience(known):  # its SETUP answer came after its first words
            made.limit = _own_patience(known)
            made.high = made.limit.high
        return made

    def done(x):
        allowed = patience(x.known)
        if x.seat not in answered or x.answers or not x.command.intact or x.cut or allowed is None:
            return
        first, *_ = since.setdefault(x.seat, [x.command.end, x.command.end, x])
        if since[x.seat][1] - first <= allowed:
            since[x.seat][2] = x
        since[x.seat][1] = x.command.end

    def over(seat):
        """A silence has ended: how long was it?"""
        if seat in since:
            first, last, x = since.pop(seat)
            count(seat, x.known).measure(last - first, x.command, f"silent for {in_s(last - first)}")

    def broke(h):
        since.clear()

    def power(seat, on):
        if seat == judge.links["bus"].out:
            answered.clear()
            since.clear()
        answered.discard(seat)
        since.pop(seat, None)

    def end(tick):
        for seat in sorted(since):
            over(seat)

    return {"bus.answer": answer, "bus.done.silent": done, "bus.break": broke, "bus.power": power, "end": end,
            "open": lambda: bool(since)}  # fmt: skip


class _Silence:
    """A silence as the controller knows it: nothing at all came back."""

    __slots__ = ("certain", "due", "early", "since", "told", "tried")

    def __init__(self, since: int, allowed: int, certain: bool):
        self.since, self.due = since, since + allowed  # due: from here a RESET within the limit
        self.certain = certain
        self.early = False  # a RESET before that time is too early: a POLL is among what it let pass
        self.tried = self.told = False


@rule("BUS-PATIENCE", judged="controller", link="bus", limit="retry_reset")
def patient(tally, judge):
    """A silent device is asked on until its non-response time, then RESET at least every 10 s, for good.

    Silent is who lets a POLL pass. A device that answers POLL and not a command it was set up with may be RESET at
    once, and so may one whose RESET got no answer.
    """
    limit = judge.book.bus.limits["retry_reset"].high
    out = judge.links["bus"].out
    answered = set()  # never iterated
    silences: dict[str, _Silence] = {}
    cause = set()  # seats whose last words call for a RESET; never iterated

    def answer(x, h):
        answered.add(h.seat)
        silences.pop(h.seat, None)
        cause.discard(h.seat)
        if any(message.name in FOR_CAUSE for message in x.messages):
            cause.add(h.seat)

    def done(x):
        allowed = patience(x.known)
        if x.answers or x.cut or x.seat not in answered or allowed is None:
            return
        new = x.seat not in silences
        s = silences.setdefault(x.seat, _Silence(x.command.end, allowed, certain(x.known)))
        s.early = s.early or x.name == "POLL" and (new or not s.tried)
        if x.name == "RESET" and new:
            s.tried = True
        if new:
            expect(x.seat)

    def expect(seat):
        s = silences[seat]
        judge.at(s.due + limit + judge.doubt("bus", s.due, s.due + limit), overdue, seat, s, s.due)

    def overdue(seat, s, due):
        if silences.get(seat) is s and s.due == due and not s.told:
            s.told = True
            text = f"{seat} is silent and was not RESET for {in_s(judge.now - due)}"
            tally.check(out, False, None, text, warn=not s.certain)

    def command(x):
        s = silences.get(x.seat)
        if s is None or x.name != "RESET":
            return
        if x.command.start < s.due - judge.links["bus"].uncertainty and not s.tried:
            if s.early and x.seat not in cause:
                after = in_s(x.command.start - s.since)
                text = f"RESET after {after} of silence, not before {in_s(s.due - s.since)}"
                tally.check(out, False, x.command, text, warn=not s.certain)
                silences.pop(x.seat)
                answered.discard(x.seat)
            return
        if x.command.start < s.due:
            return
        if not s.told:
            tally.measure(out, max(0, x.command.start - s.due), x.command)
        s.tried, s.told, s.due = True, False, x.command.start
        expect(x.seat)

    def broke(h):
        silences.clear()  # a break resets all: what follows is a new start

    def power(seat, on):
        if seat == out:
            answered.clear()
            silences.clear()

    return {"bus.answer": answer, "bus.done.silent": done, "bus.command.RESET": command, "bus.break": broke,
            "bus.power": power, "open": lambda: bool(silences)}  # fmt: skip


@rule("BUS-REPEAT", judged="device", link="bus", source="MDB/ICP 4.3 §2")
def repeated(tally, judge):
    """After RET the same block comes again; events that were not ACKed are offered again, before newer ones."""
    ack = judge.book.bus.ack
    response = judge.book.bus.limits["response"].high
    owed = {}  # seat -> events that the controller has not acknowledged

    def answer(x, h):
        before = x.answers[-2] if len(x.answers) > 1 else None
        if x.again and before and before.intact and not h.collided and h.fault is None:
            tally.check(h.seat, h.words == before.words, h, "after RET")

    def done(x):
        if x.name == "RESET" or x.cut:
            owed.pop(x.seat, None)
        elif x.name == "POLL":
            poll(x)
        elif x.known and x.known.device and x.known.device.name == "cashless" and x.answers:
            owed.pop(x.seat, None)  # the command may have overtaken a session step

    def poll(x):
        h = x.answer
        if h is None or not h.intact or x.unfit or x.kind == "nak" or not x.message:
            return
        if any(message.name == "JUST RESET" for message in x.messages):
            owed.pop(x.seat, None)
        events = [message for message in x.messages if message.event]
        waiting = owed.pop(x.seat, [])
        if waiting:
            n = min(len(waiting), len(events))
            same = n > 0 and all(_same(*pair) for pair in zip(waiting[:n], events[:n], strict=True))
            tally.check(x.seat, same, h, f"not ACKed before: {', '.join(m.name for m in waiting)}")
            waiting = waiting[n:] if same else []
        if x.kind == "answer":
            waiting = _left(x, events, waiting)
        if waiting:
            owed[x.seat] = waiting

    def _left(x, events, waiting):
        reply = x.reply
        if reply is None or (reply.intact and reply.data[0] != ack):
            return events + waiting
        if reply.intact and reply.start - x.answer.end <= response:
            return waiting
        # A late or spoilt ACK: whether it counted only the device knows.
        return []

    def forget(*_):
        owed.clear()

    def power(seat, on):
        owed.pop(seat, None)
        if seat == judge.links["bus"].out:
            owed.clear()

    return {"bus.answer": answer, "bus.done": done, "bus.break": forget, "bus.power": power}


def _same(old, new) -> bool:
    """Is it the same event, offered again?"""
    if old.name != new.name:
        return False
    for name, value in old.fields.items():
        if name in GROWING and new.fields[name] < value:
            return False
        if name not in GROWING and name not in MOVING and new.fields[name] != value:
            return False
    return True


@rule("BUS-JUST-RESET", judged="device", link="bus", source="MDB/ICP 4.3 §2")
def just_reset(tally, judge):
    """After RESET or break the first data answer to POLL is JUST RESET, given once."""
    long_enough = judge.book.bus.limits["break"].low
    expected = {}  # seat -> True: must come; False: may come
    given = set()  # seats whose last POLL answer was JUST RESET, acknowledged; never iterated
    heard = {}  # seats that answered, in order

    def answer(x, h):
        heard[h.seat] = None

    def done(x):
        if x.name == "RESET" and x.command.intact:
            given.discard(x.seat)
            expected[x.seat] = x.kind == "ack" and x.answer.intact
        elif x.name == "POLL":
            poll(x)

    def poll(x):
        h, seat = x.answer, x.seat
        unknown = not x.message or x.known.device.just_reset is None
        if h is None or not h.intact or x.unfit or unknown or x.kind != "answer":
            given.discard(seat)
            return
        is_it = any(message.name == "JUST RESET" for message in x.messages)
        must = expected.pop(seat, None)
        if must:
            tally.check(seat, is_it, h, "the first data after a reset")
        elif must is None and is_it and seat in given:
            tally.check(seat, False, h, "JUST RESET again")
        if is_it and x.offered:
            expected[seat] = False
        elif is_it and x.reply.start - h.end <= judge.book.bus.limits["response"].high:
            given.add(seat)
            return
        given.discard(seat)

    def broke(h):
        if h.out:
            for seat in heard:
                expected[seat] = h.end - h.start >= long_enough
            given.clear()

    def power(seat, on):
        for one in list(heard) if seat == judge.links["bus"].out else [seat]:
            expected[one] = False
            given.discard(one)

    return {"bus.answer": answer, "bus.done.RESET": done, "bus.done.POLL": done, "bus.break": broke,
            "bus.power": power}  # fmt: skip


def _defined(x) -> bool:
    """Is the command there at the level and with the features that the device has reported?"""
    known = x.known
    level = known.level or max(known.device.levels)
    features = EVERY_FEATURE if known.reported is None else known.reported
    return known.device.defined(x.name, Mode(level, features))


@rule("BUS-UNDERSTOOD", judged="controller", link="bus", source="MDB/ICP 4.3 §5, §6, §7")
def understood(tally, judge):
    """Every command is defined for the device's reported level and features, and has its length."""

    def command(x):
        h = x.command
        if x.known is None or x.known.device is None or set(h.broken) - {"length", "gap"}:
            return
        if x.message is None:
            tally.check(h.seat, False, h, f"{x.seat}: {x.misfit or 'wrong length of a command'}", warn=x.unsure)
            return
        doubtful = x.known.device.commands[x.name].confidence == "C"
        tally.check(h.seat, _defined(x), h, f"{x.seat} at level {x.known.level} has no {x.name}", warn=doubtful)

    return {"bus.command": command}


@rule("BUS-SHAPE", judged="device", link="bus", source="MDB/ICP 4.3 §5, §6, §7")
def shape(tally, judge):
    """Every answer has the length and codes that its command allows."""
    held_up = HeldUp(judge)

    def answer(x, h):
        if not x.message or not x.command.intact or h.collided or h.fault or not _defined(x):
            return
        if len(h.words) == 1 and x.kind == "answer" and h.words[0] & MODE and "framing" not in h.broken:
            tally.check(h.seat, False, h, "neither ACK nor NAK nor data with a checksum")
        elif h.block.good and x.kind != "nak" and not (x.unfit and held_up.perhaps(h)):
            tally.check(h.seat, x.unfit is None, h, x.unfit or "", warn=x.unsure)

    return {"bus.answer": answer, "bus.done.silent": held_up.silent}
