"""The payment bus, word by word and block by block: form, timing, who may talk when.

Source: MDB/ICP 4.3 §2 and §3. Rules that need a device's history stand in `bus_duties`.
"""

from copy import copy

from benchsim.events import BREAK, FRAMING, MODE
from benchsim.judge.held_up import HeldUp
from benchsim.judge.registry import rule

SPOILT = ("framing", "mode", "cut")  # a checksum over such a block says nothing


def _is_break(heard) -> bool:
    return bool(heard.words[0] & BREAK)


@rule("BUS-RATE", judged="controller device", link="bus", limit="rate", needs="edges")
def rate(tally, judge):
    """The bit rate is 9600 baud, at most 1 % faster or 2 % slower."""
    info = judge.links["bus"]
    word = judge.book.bus.word.ticks
    doubt_in = 100 * info.uncertainty  # percent, of one tick of word time

    def burst(b):
        if b.words[0] & (BREAK | FRAMING):
            return
        seat = b.sender or (info.out if b.out else asked[0])
        if seat:
            length = b.word_ticks()
            off = known.get(length)
            if off is None:  # a tick is 0.0012 % of a word: finer than that nothing is known
                off = known[length] = round(100 * (word / length - 1), 2)
            tally.measure(seat, off, _At(b, seat), doubt=doubt_in / (length * len(b.words)))

    asked = [""]
    known: dict[int, float] = {}  # length of a word -> percent off

    def command(x):
        asked[0] = x.seat or ""

    return {"bus.burst": burst, "bus.command": command}


class _At:
    """A burst as a place: it may be less than a block, so it has no frame number."""

    __slots__ = ("burst", "seat")
    number = None

    def __init__(self, burst, seat):
        self.burst, self.seat = burst, seat

    @property
    def start(self) -> int:
        return self.burst.start

    def text(self) -> str:
        words = " ".join(f"{w & (0xFF | MODE):03X}" for w in self.burst.words)
        return f"{self.seat} {words}"


@rule("BUS-FRAMING", judged="controller device", link="bus", source="MDB/ICP 4.3 §2")
def framing(tally, judge):
    """Every word has its start and its stop bit."""

    def heard(h):
        if h.seat and not (h.out and h.block.kind == "break"):
            held = _is_break(h)
            tally.check(h.seat, not held and not any(w & FRAMING for w in h.words), h, "line held" if held else "")

    return {"bus.heard": heard}


@rule("BUS-GAP", judged="controller device", link="bus", limit="gap", needs="gaps")
def gap(tally, judge):
    """Between two words of a block there is at most 1.0 ms."""

    def heard(h):
        if h.seat and len(h.words) > 1:
            tally.measure(h.seat, h.block.worst_gap, h)

    def resumed(first, rest):
        if rest.seat:
            tally.measure(rest.seat, rest.start - first.end, rest, "goes on after a silence")

    return {"bus.heard": heard, "bus.resumed": resumed}


@rule("BUS-MODE-OUT", judged="controller", link="bus", source="MDB/ICP 4.3 §2")
def mode_out(tally, judge):
    """The controller sets the mode bit on the address word and on no other."""

    def heard(h):
        if not h.out or _is_break(h) or h.fault == "rest" or "framing" in h.broken:
            return
        tally.check(h.seat, "mode" not in h.broken and h.fault != "mode", h)

    return {"bus.heard": heard}


@rule("BUS-MODE-IN", judged="device", link="bus", source="MDB/ICP 4.3 §2")
def mode_in(tally, judge):
    """A device sets the mode bit on the last word of a block and on no other."""
    torn = []  # a block without its end: what comes next may be the rest of it

    def settle():
        while torn:
            h = torn.pop()
            tally.check(h.seat, False, h, "no mode bit on the last word")

    def heard(h):
        if h.fault == "rest":
            torn.clear()
        settle()
        if h.out or not h.seat or _is_break(h) or "framing" in h.broken or "cut" in h.broken:
            return
        if "mode" in h.broken and not h.words[-1] & MODE:
            torn.append(h)
        else:
            tally.check(h.seat, "mode" not in h.broken, h)

    def power(seat, on):
        if torn and seat in (torn[0].seat, judge.links["bus"].out):
            torn.clear()

    return {"bus.heard": heard, "bus.power": power, "end": lambda end: settle()}


@rule("BUS-SUM-OUT", judged="controller", link="bus", source="MDB/ICP 4.3 §2")
def sum_out(tally, judge):
    """The checksum of every block of the controller is right."""

    def command(x):
        h = x.command
        if len(h.words) > 1 and not any(fault in h.broken for fault in SPOILT):
            tally.check(h.seat, "sum" not in h.broken, h)

    return {"bus.command": command}


@rule("BUS-SUM-IN", judged="device", link="bus", source="MDB/ICP 4.3 §2")
def sum_in(tally, judge):
    """The checksum of every data block of a device is right."""

    def heard(h):
        if h.out or not h.seat or len(h.words) < 2 or _is_break(h) or h.fault == "rest" or h.collided:
            return
        if not any(fault in h.broken for fault in SPOILT):
            tally.check(h.seat, "sum" not in h.broken, h)

    return {"bus.heard": heard}


@rule("BUS-LENGTH", judged="controller device", link="bus", limit="length")
def length(tally, judge):
    """A block has at most 36 words, checksum included."""

    def heard(h):
        if h.seat and not _is_break(h):
            tally.measure(h.seat, len(h.words), h, doubt=0)

    return {"bus.heard": heard}


@rule("BUS-ANSWER", judged="device", link="bus", limit="response")
def answer(tally, judge):
    """An answer, where it comes, starts within 5.0 ms."""

    def answered(x, h):
        heard_it = not any(fault in x.command.broken for fault in (*SPOILT, "length"))
        if heard_it:
            tally.measure(h.seat, h.start - x.due, h, after(x))

    def after(x):
        return f"after {x.command.known_as}" if x.command.known_as else ""

    def rounds(lot):
        delays = {}
        for at, (x, command, told) in enumerate(lot):
            if told is not None:
                values, places = delays.setdefault(x.seat, ([], []))
                values.append(told[0] - command[1])
                places.append(at)
        for seat, (values, places) in delays.items():
            tally.of(seat).measure_all(values, lambda n, at=places: (lot.answer(at[n]), after(lot.told[at[n]][0].x)))

    return {"bus.answer": answered, "bus.rounds": rounds}


@rule("BUS-ACK", judged="controller", link="bus", limit="response")
def acknowledged(tally, judge):
    """Every good data block is answered ACK, RET or NAK within 5.0 ms."""
    response = judge.book.bus.limits["response"].high + judge.links["bus"].uncertainty
    told = []  # the answer block last judged, so that it counts once

    def good(x):
        return x.kind == "answer" and x.answer.intact and not x.cut

    def reply(x):
        if good(x):
            told[:] = [x.answer]
            tally.measure(x.command.seat, x.reply.start - x.answer.end, x.reply)

    def answered(x, h):
        if good(x) and x.open:
            judge.at(h.end + 2 * response, missing, x, h, link="bus")

    def hidden(h):
        """May a stall of the bench have kept a punctual reply from being seen so far?"""
        stall = judge.stalled(h.end, judge.now)
        return stall and judge.now - h.end - stall <= response

    def missing(x, h):
        if x.answer is h and not x.reply and good(x) and h not in told and not hidden(h):
            told[:] = [h]
            tally.check(x.command.seat, False, h, "no ACK, RET or NAK follows")

    def done(x):
        open_end = judge.ended is not None and x.answer and judge.ended - x.answer.end <= response
        if x.answer and not open_end:
            missing(x, x.answer)

    return {"bus.reply": reply, "bus.answer": answered, "bus.done": done}


@rule("BUS-MUTE", judged="device", link="bus", source="MDB/ICP 4.3 §2")
def mute(tally, judge):
    """A device gives no answer to another's address and says nothing unasked."""
    spoilt = [False]  # whoever was asked last may not be who heard it
    response = judge.book.bus.limits["response"].high + judge.links["bus"].uncertainty
    # Start of the last break, or end of the command after which the master lost its supply: who was asked before may begin
    # to answer into it.
    broken_off = [-response]
    asked = [None]  # end of the last command, until it is answered

    def broke(h):
        if h.out:
            broken_off[0] = h.start

    def power(seat, on):
        if seat == judge.links["bus"].out and not on and asked[0] is not None:
            broken_off[0] = asked[0]

    heard_before = [False]  # a recording may begin between a question and its answer
    early = []  # it may have begun while the master still said more words than its command has

    def settle(x=None):
        while early:
            h = early.pop()
            if not (x and spoilt[0] and x.command.start < h.start <= x.command.end):
                tally.check(h.seat, False, h, "nobody asked it")

    def begin(_=None):
        heard_before[0] = True

    def command(x):
        begin()
        asked[0] = x.command.end
        spoilt[0] = any(fault in x.command.broken for fault in (*SPOILT, "length")) or x.seat is None
        settle(x)

    def answered(x, h):
        asked[0] = None
        tally.check(h.seat, True, h)

    held_up = HeldUp(judge)

    def unasked(h):
        settle()
        if held_up.perhaps(h):
            return
        into_break = 0 <= h.start - broken_off[0] < response
        if not heard_before[0]:
            return
        if h.seat and not spoilt[0] and not into_break and not _is_break(h):
            early.append(h)

    return {"bus.command": command, "bus.answer": answered, "bus.unasked": unasked, "bus.break": broke, "bus.power": power,
            "bus.done.silent": held_up.silent, "happening.case": begin, "end": lambda end: settle()}  # fmt: skip


@rule("BUS-OVERLAP", judged="controller device", link="bus", source="MDB/ICP 4.3 §2")
def overlap(tally, judge):
    """Two never talk at once; a late or unasked talker is at fault, else whoever began second."""
    def heard(h):
        if h.seat and not _is_break(h):
            tally.check(h.seat, True, h)

    def both(first, second, common):
        if common <= judge.doubt("bus", first.start, max(first.end, second.end)) or _is_break(first) or _is_break(second):
            return
        if first.out != second.out and "length" in (first if first.out else second).broken:
            return  # whoever counts words answers before a command with too many of them is over
        at_fault = [h for h in (first, second) if h.fault in ("late", "unasked")] or [second]
        for h in at_fault:
            if h.seat:
                other = second if h is first else first
                tally.check(h.seat, False, h, f"while {other.seat or 'another'} talks")

    return {"bus.heard": heard, "bus.overlap": both}


@rule("BUS-POLL-RATE", judged="controller", link="bus", limit="poll", advice=True)
def poll_rate(tally, judge):
    """Each present device is polled every 25 to 200 ms."""
    limit = judge.book.bus.limits["poll"]
    out = judge.links["bus"].out
    last = {}  # seat -> its last POLL
    present = {}  # seat -> end of its last answer

    def command(x):
        if x.seat is None:
            return
        if x.name == "RESET":
            last.pop(x.seat, None)
            present.pop(x.seat, None)
        elif x.name == "POLL":
            before, last[x.seat] = last.get(x.seat), x
            if before and x.seat in present:
                interval = x.command.start - before.command.start
                # A POLL whose answer was lost may be repeated at once.
                if interval >= limit.low or before.taken:
                    tally.measure(out, interval, x.command, f"POLL of {x.seat}")

    def rounds(lot):
        since, intervals, places = {seat: x.command.start for seat, x in last.items()}, [], []
        for at, (x, asked, _) in enumerate(lot):
            if x.seat in present and x.name == "POLL":
                intervals.append(asked[0] - since[x.seat])
                places.append(at)
                since[x.seat] = asked[0]
        tally.of(out).measure_all(intervals, lambda n: (lot.question(places[n]), f"POLL of {lot.told[places[n]][0].x.seat}"))
        for seat, at in {lot.told[at][0].x.seat: at for at in places}.items():
            last[seat] = x = copy(lot.told[at][0].x)
            x.command = lot.question(at)
            present[seat] = lot.answer(at).end

    def answered(x, h):
        present[h.seat] = h.end

    def done(x):
        if x.seat in present and not x.answers:
            patience = x.known.device.limits["non_response"].high if x.known.device else 0
            if x.command.end - present[x.seat] > patience:
                present.pop(x.seat)

    def forget(*_):
        last.clear()
        present.clear()

    def power(seat, on):
        if seat == out:
            forget()
        present.pop(seat, None)

    def end(now):
        for seat, x in sorted(last.items()):
            if seat in present and now - x.command.start > limit.high:
                tally.measure(out, now - x.command.start, x.command, f"last POLL of {seat}")

    return {"bus.command.RESET": command, "bus.command.POLL": command, "bus.answer": answered,
            "bus.done.silent": done, "bus.break": forget, "bus.power": power, "end": end, "bus.rounds": rounds}  # fmt: skip


@rule("BUS-BREAK", judged="controller", link="bus", limit="break")
def breaks(tally, judge):
    """A break lasts at least 100 ms."""

    def heard(h):
        if h.out:
            tally.measure(h.seat, h.end - h.start, h)

    return {"bus.break": heard}


@rule("BUS-SETTLE", judged="controller", link="bus", limit="settle")
def settle(tally, judge):
    """From the end of a break to the first command there are at least 200 ms."""
    since = []

    def broke(h):
        if h.out:
            since[:] = [h.end]

    def heard(h):
        if since and h.out and h.block.kind != "break":
            tally.measure(h.seat, h.start - since.pop(), h)

    def power(seat, on):
        if seat == judge.links["bus"].out:
            since.clear()

    return {"bus.break": broke, "bus.heard": heard, "bus.power": power}
