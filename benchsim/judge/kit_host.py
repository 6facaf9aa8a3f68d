"""Kit link, host: how it asks, waits, tries again and finds its way back. Source: kit link reference."""

from itertools import pairwise

from benchsim.events import TICKS_PER_SECOND
from benchsim.judge.registry import rule

REFERENCE = "kit link reference"


@rule("KIT-POLL-RATE", "host", link="kit", limit="poll")
def polls_in_time(tally, judge):
    """POLL to POLL, start to start, is inside the limit: between two new POLLs with no retry between, from
    OPEN-SALE's ok until the link is down.
    """
    host = tally.of(judge.book.kit.asks)
    counting, last = False, None

    def request(x):
        nonlocal counting, last
        if x.name == "RESET":
            counting, last = False, None
        elif x.name == "POLL":
            if counting and last is not None:
                host.measure(x.first.start - last, x.first)
            last = x.first.start

    def rounds(lot):
        nonlocal last
        starts = [question.start for _, question, _ in lot]
        if counting:
            host.measure_all([at - before for before, at in pairwise([last, *starts])], lambda at: (lot.question(at), ""))
        last = starts[-1]

    def answer(x, heard):
        nonlocal counting, last
        if x.name == "OPEN-SALE" and x.ok and not counting:
            counting, last = True, None

    def forget(*_):
        nonlocal last
        last = None

    def frame(heard):
        if heard.out and heard.broken:
            forget()

    return {"kit.request": request, "kit.answer": answer, "kit.try": forget, "kit.restart": forget, "kit.frame": frame,
            "kit.rounds": rounds}  # fmt: skip


@rule("KIT-WAIT", "host", link="kit", limit="wait")
def waits_for_answers(tally, judge):
    """The host waits for the first byte of an answer as long as the limit says before it tries again, and
    lets a begun answer end (how long after that it may wait is not said).
    """
    spec = judge.book.kit
    host, low, gap = tally.of(spec.asks), spec.limits["wait"].low, spec.limits["gap"].high

    def again(x, heard, previous):
        if x.name == "RESET" and x.down:
            return  # single tries, see KIT-RELINK
        spoken = spoke(x, heard.start)
        if spoken is None or spoken[1] < previous.end:
            host.measure(heard.start - previous.end, heard)
            return
        begun, last, ended = spoken
        doubt = judge.kit_talk.doubt_of(previous.start, heard.end)
        silent = heard.start - last
        if not ended and silent > gap - doubt:  # perhaps so long that the answer was over without its end
            if silent > gap + doubt:
                host.check(True, heard)
            else:
                host.set_aside(heard, "")
            return
        if begun - previous.end < low - doubt:
            let_end = ended and last <= heard.start + doubt
            host.check(let_end, heard, "" if let_end else "speaks into an answer that had begun")

    def spoke(x, now):
        """From when to when the board spoke last, and whether that has its end, if it began before `now`. What began
        before the last try, perhaps as an answer to another, and went on after it, was heard as an answer.
        """
        reader, whole = judge.kit_talk.readers[False], x.since
        # A flag alone begins an answer, unless one came just before: then it is rather that one's end.
        if reader.heard and reader.heard[0] < now and (reader.begun is not None or not whole):
            return *reader.heard, False
        return (whole.start, whole.end, True) if whole and whole.start < now else None

    def request(x):
        b, talk = x.before, judge.kit_talk
        if b is None:
            return
        doubt = talk.doubt_of(b.last.start, x.first.end)
        if b.answer is not None:
            if b.answer.end > x.first.start + doubt and talk.sure(b, x.first.end):
                host.check(False, x.first, "speaks into an answer that had begun")
        elif b.failed and x.down and b.name != "RESET":
            spoken = spoke(b, x.first.start)
            if spoken is None or spoken[1] < b.last.end:
                waited = x.first.start - b.last.end >= low - doubt
                host.check(waited, x.first, "" if waited else "gives up before its wait was over")

    return {"kit.try": again, "kit.request": request}


@rule("KIT-RETRY", "host", link="kit", limit="tries")
def retries_alike(tally, judge):
    """A retry is the same bytes, and there are no more tries of one request than the limit."""
    spec = judge.book.kit
    host, most, soon = tally.of(spec.asks), spec.limits["tries"].high, spec.limits["reset"].low

    def again(x, heard, previous):
        if not (x.name == "RESET" and x.down):
            host.measure(x.tries, heard, f"try {x.tries}")

    def request(x):
        b = x.before
        if b is None or not b.failed or b.name == "RESET" or b.spoilt or b.tries >= most:
            return
        if x.name == "RESET":  # a host that starts anew may do so
            if x.first.start - b.last.end < soon:
                host.check(False, x.first, f"gives a request up after {b.tries} of {most} tries", warn=True)
        elif x.seq == b.seq:
            host.check(False, x.first, "a retry with other bytes")
        else:
            host.check(False, x.first, f"goes on without an answer after {b.tries} of {most} tries")

    return {"kit.try": again, "kit.request": request}


@rule("KIT-SEQ", "host", link="kit", source=REFERENCE)
def numbers_in_turn(tally, judge):
    """A new request other than RESET carries the previous seq + 1, modulo 256."""
    host, seqs = tally.of(judge.book.kit.asks), judge.book.kit.seqs

    def request(x):
        b = x.before
        if b is not None and not b.failed and x.name != "RESET":
            right = (b.seq + 1) % seqs
            host.check(x.seq == right, x.first, "" if x.seq == right else f"seq {x.seq} where {right} was due")

    return {"kit.request": request}


@rule("KIT-RELINK", "host", link="kit", limit="reset")
def finds_the_link_again(tally, judge):
    """While the link is down the host sends RESET, each a single try with a new seq, as often as the limit
    says until it is answered, the first within its time, and then starts up as a whole.
    """
    spec = judge.book.kit
    host, limits = tally.of(spec.asks), spec.limits
    first_by = limits["wait"].high + limits["first_reset"].high
    session = Session(spec)
    relinked = False
    off = False

    def request(x):
        nonlocal relinked
        b = x.before
        if b is not None and b.failed and x.down:
            if x.name != "RESET":
                host.check(False, x.first, "the link is down and something other than RESET is asked")
            elif b.name == "RESET":
                if x.tries == 1 and b.tries == 1:
                    host.measure(x.first.start - b.first.start, x.first)
            else:
                relinked = True
                doubt = judge.kit_talk.doubt_of(b.last.end, x.first.end)
                in_time = x.first.start - b.last.end <= first_by + doubt
                host.check(in_time, x.first, "" if in_time else "the first RESET after the link went down is late")
        session.request(x)
        if x.name == "OPEN-SALE" and relinked and session.known:
            host.check(not session.lacks, x.first, session.lacking)
            relinked = False

    def again(x, heard, previous):
        if x.name == "RESET" and x.down:
            host.check(False, heard, "a RESET tried again with the same seq")

    def restart(seat):
        nonlocal off, relinked
        if seat == spec.asks:
            off, relinked = True, False
            session.forget()

    def frame(heard):
        nonlocal off
        if heard.out:
            off = False

    def end(tick):
        x = judge.kit_talk.current
        if off or x is None or not x.failed:
            return
        doubt = judge.kit_talk.doubt_of(x.first.start, tick)
        if x.name == "RESET" and tick - x.first.start > limits["reset"].high + doubt:
            host.check(False, x.first, "RESET stays unanswered and no other follows in time")
        elif x.tries >= limits["tries"].high and tick - x.last.end > first_by + doubt:
            host.check(False, x.last, "the link is down and no RESET follows in time")

    return {"kit.request": request, "kit.answer": session.answer, "kit.try": again, "kit.restart": restart,
            "kit.frame": frame, "end": end}  # fmt: skip


class Session:
    """What of the start-up was done since the last RESET, as the answers told the host."""

    STEPS = ("RESET", "IDENT", "PRICE-COMMIT")

    def __init__(self, spec):
        self.known = False  # a RESET was seen
        self.done: list[str] = []

    def request(self, x) -> None:
        """RESET begins anew."""
        if x.name == "RESET":
            self.known, self.done = True, []

    def answer(self, x, heard) -> None:
        """A step taken. A table sent before IDENT does not count."""
        if x.ok and len(self.done) < 3 and x.name == self.STEPS[len(self.done)]:
            self.done.append(x.name)

    def forget(self) -> None:
        """The host starts anew."""
        self.done = []

    @property
    def lacks(self) -> tuple[str, ...]:
        """Steps still to take."""
        return self.STEPS[len(self.done) :]

    @property
    def lacking(self) -> str:
        """The same in words."""
        return f"OPEN-SALE without {', '.join(self.lacks)} before it" if self.lacks else ""


# BOOTED has no time limit of its own. The first RESET on a lost link is due within 1 s; a host that still
# goes on as before after ten times that does not mean to start again (common practice).
BOOTED_IGNORED_S = 10


@rule("KIT-START", "host", link="kit", source=REFERENCE)
def starts_in_order(tally, judge):
    """A host starts with RESET, IDENT, the whole price table, OPEN-SALE, and again after every BOOTED."""
    spec = judge.book.kit
    host, session = tally.of(spec.asks), Session(spec)
    again_only = {"IDENT", "OPEN-SALE", "VEND", "PRICE-BEGIN", "PRICE-PART", "PRICE-COMMIT"}
    booted = None  # the answer that told of it
    first = False  # the host was seen to start, and has said nothing yet

    def request(x):
        nonlocal booted, first
        if first:
            host.check(x.name == "RESET", x.first, "" if x.name == "RESET" else "the first request is no RESET")
        first = False
        session.request(x)
        if booted is not None:
            if x.name == "RESET":
                booted = None
                host.check(True, x.first)
            elif x.name in again_only:
                host.check(False, x.first, "the board has started anew, and no RESET was sent")
                booted = None
        elif x.name == "OPEN-SALE" and session.known:
            host.check(not session.lacks, x.first, session.lacking)

    def answer(x, heard):
        nonlocal booted
        session.answer(x, heard)
        if x.name == "POLL" and x.ok and any(e.name == "BOOTED" for e in heard.message.fields["events"]):
            if booted is None:
                booted = heard
                judge.at(heard.end + BOOTED_IGNORED_S * TICKS_PER_SECOND, ignored, heard)

    def ignored(told):
        nonlocal booted
        x = judge.kit_talk.current
        if booted is told and x is not None and x.answer is not None and x.answer is not told:
            host.check(False, told, f"no RESET within {BOOTED_IGNORED_S} s of BOOTED")
            booted = None

    def restart(seat):
        nonlocal booted, first
        booted = None
        if seat == spec.asks:
            first = True

    return {"kit.request": request, "kit.answer": answer, "kit.restart": restart, "open": lambda: booted is not None}
