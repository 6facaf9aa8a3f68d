"""Rules of the audit link and its text. Source: EVA DTS 6.1 and its DEX/UCS link layer, from memory."""

from benchsim.events import TICKS_PER_MS, TICKS_PER_SECOND
from benchsim.judge.registry import rule
from benchsim.links.audit_blocks import DATA
from benchsim.links.audit_text import does_not_close, growth_does_not_close

LINK = "EVA DTS 6.1, DEX/UCS link layer, from memory"
TEXT = "EVA DTS 6.1, from memory"
REST = 3 * TICKS_PER_SECOND  # since money last moved before a text was asked for; common practice
SPOILT = {"check", "escape", "framing"}


@rule("AUD-HANDSHAKE", "auditor board", link="audit", source=LINK)
def handshakes(tally, judge):
    """A session is the reader's request, the board's response, the board's data; each begins with a bid (ENQ) that is
    acknowledged, and its blocks are of their kind and well formed.
    """

    def step(seat, heard, why):
        tally.check(seat, not why, heard, why)

    def block(on, heard, again, why):
        if why.startswith("a block"):
            tally.check(heard.seat, False, heard, why)

    return {"audit.step": step, "audit.block": block}


@rule("AUD-CHECK", "auditor board", link="audit", source=LINK, confidence="B")
def checks(tally, judge):
    """Every block carries the CRC of its data and closing character; no DLE stands in its data."""

    def item(heard):
        if heard.item.is_block and not heard.broken or SPOILT & set(heard.broken):
            tally.check(heard.seat, not heard.broken, heard, ", ".join(heard.broken))

    return {"audit.item": item}


@rule("AUD-ALTERNATE", "auditor board", link="audit", source=LINK)
def answers_alternate(tally, judge):
    """A bid is answered with ACK0, good blocks with ACK1, ACK0, ACK1 in turn, a bad one with NAK; ENQ inside a
    transmission has the last answer again.
    """

    def answer(on, question, heard, names):
        if heard.name == "WAIT" or heard.name == "NAK" and "NAK" not in names:
            return  # it may have heard otherwise
        right = heard.name in names
        tally.check(heard.seat, right, heard, "" if right else f"expected {' or '.join(names)} to {question.name}")

    return {"audit.answer": answer}


@rule("AUD-BLOCK", "board", link="audit", limit="block")
def block_length(tally, judge):
    """A block of data is not longer than the limit."""

    def item(heard):
        if heard.name == DATA:
            tally.measure(heard.seat, len(heard.item.data), heard)

    return {"audit.item": item}


@rule("AUD-TIMING", "auditor board", link="audit", limit="answer")
def timing(tally, judge):
    """A bid or a block is answered within its time; inside a block the gaps are within theirs."""
    gap = judge.book.audit.limits["gap"].high

    def answer(on, question, heard, names):
        tally.measure(heard.seat, heard.start - question.end, heard)

    def silent(on, question):
        if on.receiver in judge.present and not question.broken:
            tally.check(on.receiver, False, question, "no answer to this")

    def item(heard):
        worst = heard.item.worst_gap
        if heard.item.is_block and "gap" not in heard.broken:
            late = worst > gap + judge.doubt("audit", heard.start, heard.end)
            tally.check(heard.seat, not late, heard, f"a gap of {worst // TICKS_PER_MS} ms" if late else "")

    return {"audit.answer": answer, "audit.silent": silent, "audit.item": item}


@rule("AUD-RETRY", "auditor board", link="audit", source=LINK)
def retries(tally, judge):
    """A refused block is said again as it was, and none is left out; no bid or block is tried more often than the
    limit `tries` says.
    """
    most = judge.book.audit.limits["tries"].high

    def block(on, heard, again, why):
        if (again or why) and not why.startswith("a block"):
            tally.check(heard.seat, not why, heard, why)

    def tries(on, heard, times):
        if times > 1:
            tally.check(heard.seat, times <= most, heard, f"tried {times} times", warn=True)

    return {"audit.block": block, "audit.tries": tries}


@rule("AUD-SEGMENTS", "board", link="audit", source=TEXT)
def segments(tally, judge):
    """The text is segments of ASCII elements from DXS to DXE, counted from ST to SE in SE, with the same control number."""

    def text(read, heard):
        tally.check(heard.seat, not read.wrong, heard, "; ".join(read.wrong[:3]))

    return {"audit.text": text}


@rule("AUD-TEXT-CHECK", "board", link="audit", source=TEXT, confidence="C", unseen="no text with a G85 was read")
def text_check(tally, judge):
    """G85 is the CRC of the text from ST up to it."""

    def text(read, heard):
        if read.check_right is not None:
            tally.check(heard.seat, read.check_right, heard, "" if read.check_right else "G85 is another")

    return {"audit.text": text}


@rule("AUD-TOTALS", "board", link="audit", source=TEXT)
def totals(tally, judge):
    """Totals close: VA1 is the sum of PA2, cash in that of its parts; from one reading at rest to the next, cash in
    less cash out is what tubes and boxes grew by, with fills by hand apart (warns only: many boards count their tubes
    now and then).
    """
    before = None  # the last text, if the machine was at rest
    moved = -REST

    def text(read, heard):
        nonlocal before
        wrong = does_not_close(read)
        tally.check(heard.seat, not wrong, heard, "; ".join(wrong[:3]))
        at_rest = heard.since - moved > REST
        if before and at_rest:
            grown = growth_does_not_close(before, read)
            tally.check(heard.seat, not grown, heard, "; ".join(grown), warn=True)
        before = read if at_rest else None

    def money(happening):
        nonlocal moved
        moved = happening.time

    def unheard(happening):
        nonlocal before
        before = None  # whether a board hears of it is up to its changer, or money may have got lost on its way

    moves = dict.fromkeys((f"happening.{kind}" for kind in ("coin", "bill", "payout", "card", "drop")), money)
    losses = dict.fromkeys((f"happening.{kind}" for kind in ("service", "power", "trouble", "fault")), unheard)
    return moves | losses | {"audit.text": text}
