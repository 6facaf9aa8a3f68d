"""Does the screen agree with the board? Source: common practice."""

from benchsim.events import TICKS_PER_SECOND
from benchsim.judge.panel import UNREADABLE
from benchsim.judge.registry import rule
from benchsim.judge.tally import Moment

UNKNOWN_FUNDS = 0xFFFFFFFF  # kit link reference
LOCKED, SERVICE = {5}, {6}  # states in the answer to POLL, kit link reference
DRAWN = 1 * TICKS_PER_SECOND  # a screen is drawn anew; common practice


@rule("SYS-TRUTH", "host", link="kit", source="common practice", unseen=UNREADABLE)
def screen_tells_the_truth(tally, judge):
    """What the screen says agrees with the board: the credit, that nothing is sold while it is locked out, that the
    door is open.
    """
    spec = judge.book.kit
    host = spec.asks
    told = shown = None  # (credit, state) of the last answer to POLL; what the screen says
    armed = 0

    def again(now):
        nonlocal armed
        armed += 1
        if told is not None and shown is not None:
            judge.at(now + DRAWN + judge.doubt("kit", now, now), look, armed, link="kit")

    def look(number):
        if number == armed:
            why = wrong(*told)
            tally.check(host, not why, Moment(judge.now, why or f"credit {told[0]}, {spec.states.get(told[1], told[1])}"))

    def wrong(credit, state) -> str:
        may_be = spec.values.told("state", state)
        if shown["credit"] != (None if credit == UNKNOWN_FUNDS else credit):
            return f"the credit is {credit}, the screen says {shown['credit']}"
        if may_be <= LOCKED and not shown["out_of_order"]:
            return "locked out, and the screen looks as if it sold"
        if may_be <= SERVICE and shown["page"] != "service":
            return "the door is open, and the screen does not know"
        return ""

    def answer(x, heard):
        nonlocal told
        if x.name == "POLL" and x.ok:
            fields = heard.message.fields
            if (fields["credit"], fields["state"]) != told:
                told = fields["credit"], fields["state"]
                again(heard.end)

    def screen(h):
        nonlocal shown
        if h.seat == host and "out_of_order" in h.data:
            shown = h.data
            again(h.time)

    def restart(seat):
        nonlocal told, armed
        told = None
        armed += 1

    return {"kit.answer": answer, "happening.screen": screen, "kit.restart": restart}
