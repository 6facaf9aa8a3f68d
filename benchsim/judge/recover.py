"""After a fault that needs no hands the machine sells again by itself. Source: common practice.

Faults are told off the links as they begin and end. Whose turn it was is read from the last words of both sides:

    the host says nothing, or has not asked for the next step of its start          host
    the board does not answer, refuses that step, or keeps the sale closed after it  board
    locked out, the door open, or every try of a price table refused                 nobody: that needs hands
"""

from benchsim.events import TICKS_PER_SECOND
from benchsim.judge.registry import rule
from benchsim.judge.tally import Moment

WITHIN = 30 * TICKS_PER_SECOND  # from the end of the fault, or the last start after it
SILENT = 3 * TICKS_PER_SECOND  # no host that lives says nothing for so long, kit link reference
SELLING, HANDS = {3, 4}, {5, 6}  # states in the answer to POLL, kit link reference
STEPS = ("IDENT", "PRICE-BEGIN", "OPEN-SALE")  # of a start, which a board has no reason to refuse in its state
UNTOLD = "no fault that needs no hands began and ended, thirty seconds before the end"


@rule("SYS-RECOVER", judged="board host", link="kit", source="common practice", unseen=UNTOLD)
def recovers(tally, judge):
    """30 s after a fault that needs no hands is cleared and all have started, the machine sells again by itself."""
    spec = judge.book.kit
    host, board = spec.asks, spec.answers
    active: dict[str, int] = {}  # faults that last
    hands = ready = False  # one of them needs hands; the last ones are over, and needed none
    off: set[str] = set()  # without supply
    since = armed = 0  # tick and number of the last alarm; older ones are void
    asked = answered = -SILENT  # last good words of each side
    state, sold = None, -1  # as the board told it last; when it told last that it sells
    unpriced = False  # the last price table was refused: a host may try three times and no more
    refused = opened = None  # a step of the start that was refused last; OPEN-SALE that was taken last

    def fault(h):
        nonlocal hands, ready
        name = h.data.get("name")
        active[name] = active.get(name, 0) + (1 if h.data.get("on") else -1)
        if active[name] <= 0:
            del active[name]
        hands = hands or h.data.get("hands", True)
        ready = not active and not hands
        hands = hands and bool(active)
        again(h.time)

    def again(now):
        """Something has changed: thirty seconds from here, if all is well now."""
        nonlocal since, armed, opened, refused
        armed += 1
        opened = refused = None
        if ready and not off:
            since = now
            judge.at(now + WITHIN + judge.doubt("kit", now, now), look, armed)

    def look(number):
        if number != armed:
            return
        may_be = spec.values.told("state", state) if state is not None else set()
        if sold >= since:
            say(host, True, "the sale is open")
            say(board, True, "the sale is open")
        elif judge.now - asked > SILENT:
            say(host, False, "the host says nothing")
        elif judge.now - answered > SILENT:
            say(board, False, "the board does not answer")
        elif may_be & HANDS or unpriced:
            return
        elif refused:
            say(board, False, f"the board refuses {refused}")
        elif opened:
            say(board, False, "the sale stays closed after OPEN-SALE was taken")
        else:
            say(host, False, "the host does not open the sale")

    def say(seat, ok, words):
        tally.check(seat, ok, Moment(judge.now, words))

    def request(x):
        nonlocal asked, opened, refused
        asked = x.first.end
        if x.name in ("RESET", "CLOSE-SALE"):
            opened = refused = None

    def tried(x, heard, previous):
        nonlocal asked
        asked = heard.end

    def answer(x, heard):
        nonlocal answered, state, sold, opened, refused, unpriced
        answered = heard.end
        if x.name in STEPS:
            refused = None if x.ok else x.name
        if x.name == "PRICE-COMMIT":
            unpriced = not x.ok
        if x.name == "OPEN-SALE" and x.ok:
            opened = x
        if x.name == "POLL" and x.ok:
            state = heard.message.fields["state"]
            if spec.values.told("state", state) <= SELLING:
                sold = heard.start
            if any(event.name in ("BOOTED", "LINK-LOST") for event in heard.message.fields["events"]):
                opened = None

    def power(h):
        if h.seat not in (host, board):
            return
        (off.discard if h.data["on"] else off.add)(h.seat)
        again(h.time)

    return {"happening.fault": fault, "happening.power": power, "kit.request": request, "kit.try": tried,
            "kit.answer": answer}  # fmt: skip
