"""Kit link, both sides: frames, gaps, payloads, and what a bad frame may lead to.

Source of the rules: kit link reference; framing and check: RFC 1662 §4.2, §3.1, appendix C.
"""

from benchsim.judge.registry import rule
from benchsim.links.kit_frames import needless
from benchsim.schema.kit_meanings import CODED

BOTH = "host board"
REFERENCE = "kit link reference"


@rule("KIT-FRAME", BOTH, link="kit", source="RFC 1662 §3.1, §4.2, appendix C")
def frames_whole(tally, judge):
    """Flags, stuffing, check and length of every frame are right; nothing but flag and escape is escaped."""
    spec = judge.book.kit

    def frame(heard):
        if not heard.broken:
            escapes = needless(spec, heard)
            tally.check(heard.seat, not escapes, heard, "escapes what needs none" if escapes else "")
        elif wrong := ", ".join(what for what in heard.broken if what != "gap"):
            tally.check(heard.seat, False, heard, f"wrong {wrong}")

    return {"kit.frame": frame}


@rule("KIT-GAP", BOTH, link="kit", limit="gap", needs="gaps")
def frames_without_pauses(tally, judge):
    """Inside a frame the line is idle for no longer than the limit."""

    def frame(heard):
        tally.measure(heard.seat, heard.worst_gap, heard)

    return {"kit.frame": frame}


@rule("KIT-SHAPE", BOTH, link="kit", source=REFERENCE)
def payloads_as_declared(tally, judge):
    """Payload lengths, codes and ranges are as the protocol file declares them."""
    spec = judge.book.kit
    bad_length, unknown = (CODED["status"].index(text) for text in ("bad length", "unknown operation"))

    def frame(heard):
        if not heard.broken and (heard.out or not odd_question(heard)):
            tally.check(heard.seat, heard.misfit is None, heard, str(heard.misfit or ""))

    def odd_question(heard):
        x = judge.kit_talk.current
        return x is not None and x.first.misfit is not None and spec.answered(heard.body)[1] == x.seq

    def reply(heard, request, bad):
        """A question that does not fit is answered with the status that says why."""
        if request is None or request.misfit is None or spec.answered(heard.body)[0] != request.exchange.op:
            return
        status = spec.refusal(heard.body)
        may_be = () if status is None else spec.values.told("status", status)
        kind = request.misfit.kind
        if kind == "unknown":
            tally.check(spec.answers, unknown in may_be, heard, "an unknown operation was asked for")
        elif kind == "length":
            tally.check(spec.answers, bad_length in may_be, heard, "a request of a wrong length was asked")
        else:
            tally.check(spec.answers, bool(status), heard, "a request out of range was asked")

    return {"kit.frame": frame, "kit.reply": reply}


@rule("KIT-BAD-INERT", BOTH, link="kit", source="RFC 1662 §4.2; kit link reference")
def bad_frames_are_dropped(tally, judge):
    """A bad frame is dropped in silence and changes nothing: no answer to it, no step taken on it."""
    spec = judge.book.kit
    board, host = spec.answers, spec.asks
    open_bad = []

    def frame(heard):
        if not heard.out:
            return
        while open_bad:
            tally.check(board, True, open_bad.pop())
        if heard.broken:
            open_bad.append(heard)

    def reply(heard, request, bad):
        if request is None and bad is not None and open_bad:
            open_bad.clear()
            tally.check(board, False, heard, "answers a bad frame")

    def again(x, heard, previous):
        if x.spoilt and x.answer is None:
            tally.check(host, True, heard)

    def request(x):
        b = x.before
        if b is not None and b.failed and b.spoilt and b.tries < judge.kit_talk.tries.high and x.name != "RESET":
            tally.check(host, False, x.first, "goes on after a bad answer")

    def restart(seat):
        open_bad.clear()

    return {"kit.frame": frame, "kit.reply": reply, "kit.try": again, "kit.request": request, "kit.restart": restart}
