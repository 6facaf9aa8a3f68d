"""Kit link, board: answers, repeats, events and the watchdog. Source: kit link reference."""

from benchsim.judge.kit_events import full_body
from benchsim.judge.kit_sale import SALE_OPEN
from benchsim.judge.registry import rule

REFERENCE = "kit link reference"
CUT = 6  # outcome in VEND-DONE: cut by power loss


@rule("KIT-ANSWER", "board", link="kit", limit="answer")
def answers_in_time(tally, judge):
    """The answer to a request starts within the limit and carries the request's seq and operation."""
    spec = judge.book.kit
    board = tally.of(spec.answers)

    def reply(heard, request, bad):
        if request is None:
            return
        if spec.answered(heard.body) == (request.exchange.op, request.exchange.seq):
            board.measure(heard.start - request.end, heard)
        else:
            board.check(False, heard, f"not the answer to {request.text()}")

    def silent(request, new):
        """Until a new one; before its time is over an answer may still come."""
        if (waited := new.start - request.end) > board.high:
            board.measure(waited, request, "stayed without an answer")

    def rounds(lot):
        board.measure_all([told[0] - asked[1] for _, asked, told in lot], lambda at: (lot.answer(at), ""))

    return {"kit.reply": reply, "kit.silent": silent, "kit.rounds": rounds}


@rule("KIT-QUIET", "board", link="kit", source=REFERENCE)
def never_speaks_unasked(tally, judge):
    """The board never speaks unasked: one answer at most for each request."""
    board = tally.of(judge.book.kit.answers)

    def reply(heard, request, bad):
        talk = judge.kit_talk
        if request is None and talk.current is None and not talk.whole:
            return  # whoever asked was not heard: the recording began in the middle
        if request is not None or bad is None:  # an answer to a bad frame is KIT-BAD-INERT's matter
            board.check(request is not None, heard, "" if request else "nobody asked")

    return {"kit.reply": reply}


@rule("KIT-ONCE", "board", link="kit", source=REFERENCE)
def repeats_do_nothing_twice(tally, judge):
    """A repeated request gets the last answer again and does nothing twice: a VEND said several times ends in
    one VEND-DONE.
    """
    board = tally.of(judge.book.kit.answers)
    asked = done = 0
    repeated = False  # was the last VEND said more than once?

    def request(x):
        nonlocal asked, repeated
        if x.name == "VEND":
            repeated = x.repeat
            asked += not x.repeat

    def again(x, heard, previous):
        nonlocal repeated
        repeated = repeated or x.name == "VEND"

    def answered_again(x, heard):
        same = heard.body == x.answer.body
        board.check(same, heard, "" if same else "not the answer given before")

    def answer(x, heard):
        nonlocal asked
        if x.repeat and x.before is not None and x.before.answer is not None:
            same = heard.body == x.before.answer.body
            board.check(same, heard, "" if same else "not the answer given before")
        if x.name == "VEND" and not x.repeat and x.status:
            asked -= 1

    def told(x, heard, fresh):
        nonlocal done
        for event in fresh:
            if event.name == "VEND-DONE" and event.fields["outcome"] != CUT:  # it may be of an earlier day
                done += 1
                if repeated and judge.kit_talk.whole:
                    board.check(done <= asked, heard, f"{done} ends of {asked} sales asked for")

    return {"kit.request": request, "kit.try": again, "kit.again": answered_again, "kit.answer": answer,
            "kit.events": told}  # fmt: skip


@rule("KIT-EVENTS-KEPT", "board", link="kit", source=REFERENCE)
def events_are_kept(tally, judge):
    """No event is lost, renumbered or out of order, across lost frames and RESET: what was not delivered is
    offered again with the same numbers, before newer ones.
    """
    board = tally.of(judge.book.kit.answers)

    def told(x, heard, fresh):
        events = judge.kit_talk.events
        if events.tested:
            board.check(events.wrong is None, heard, events.wrong or "")

    return {"kit.events": told}


@rule("KIT-WATCHDOG", "board", link="kit", source=REFERENCE)
def leaves_the_sale_alone(tally, judge):
    """After the time of silence that the limit `watchdog` says, the first POLL shows that the sale is closed and
    LINK-LOST is told once; without such a silence it is not told.
    """
    spec = judge.book.kit
    board, limit = tally.of(spec.answers), spec.limits["watchdog"]
    last = None  # end of the last valid request
    alive = False  # has the board answered since it started?
    lost = False  # silence long enough, and no POLL answered since
    reopened = False
    tells, full = "LINK-LOST" in spec.event_by_name, full_body(spec)
    owed, due = 0, 0  # LINK-LOST: how many may come, how many must

    def frame(heard):
        nonlocal last, lost, reopened, owed, due
        if not heard.out or heard.broken:
            return
        if last is not None and alive:
            gap, doubt = heard.end - last, judge.kit_talk.doubt_of(last, heard.end)
            if gap >= limit.low - doubt:
                owed += 1
            if gap > limit.high + doubt and heard.misfit is None:
                lost, reopened = True, False
                due += tells
        last = heard.end

    def rounds(lot):
        nonlocal last
        last = max(question.end for _, question, _ in lot)

    def answer(x, heard):
        nonlocal alive, reopened
        alive = True
        if x.name == "OPEN-SALE" and x.ok:
            reopened = True

    def events(x, heard, fresh):
        nonlocal lost, owed, due
        if x.repeat:
            return
        told = sum(event.name == "LINK-LOST" for event in fresh)
        if any(event.name == "BOOTED" for event in fresh):
            lost, owed, due = False, 0, 0
            return
        if lost and not reopened:
            closed = heard.message.fields["state"] != SALE_OPEN
            board.check(closed, heard, "" if closed else "the sale is still open after the host fell silent")
        lost = False
        if told > owed:
            board.check(False, heard, "LINK-LOST without a silence of that length, or told twice")
        elif told < due and len(heard.body) < full:
            board.check(False, heard, "the host fell silent, and LINK-LOST is not told")
        elif told:
            board.check(True, heard)
        if len(heard.body) < full:
            owed = due = 0
        else:
            owed, due = max(0, owed - told), max(0, due - told)

    def restart(seat):
        nonlocal last, alive, lost, owed, due
        if seat == spec.answers:
            last, alive, lost, owed, due = None, False, False, 0, 0

    return {"kit.frame": frame, "kit.answer": answer, "kit.events": events, "kit.restart": restart,
            "kit.rounds": rounds}  # fmt: skip
