"""Verdicts: what a rule found about one seat, with its evidence and its doubt.

Outcomes: pass, fail, unsure (the measurement's uncertainty straddles the limit: guard band after
JCGM 106:2012 §8), unseen (never put to the test, or cannot be measured here: `why` says it), warn
(broken, but the limit is only advice or of confidence C). A value at its limit is legal.
"""

from typing import NamedTuple

from benchsim.schema.limits import Limit

FAMILIES = ("BUS", "CHG", "BIL", "CSH", "KIT", "PNL", "AUD", "SYS")

# The order in which people read them; a rule not named here follows its family's others.
ORDER = """
BUS-RATE BUS-FRAMING BUS-GAP BUS-MODE-OUT BUS-MODE-IN BUS-SUM-OUT BUS-SUM-IN BUS-LENGTH BUS-ANSWER BUS-SILENT
BUS-ACK BUS-REPEAT BUS-MUTE BUS-OVERLAP BUS-POLL-RATE BUS-BREAK BUS-SETTLE BUS-JUST-RESET BUS-PATIENCE
BUS-UNDERSTOOD BUS-SHAPE BUS-BAD-SUM-INERT
CHG-START CHG-ENABLED CHG-COUNT CHG-PAYOUT CHG-RETURN
BIL-START BIL-ENABLED BIL-ESCROW BIL-ESCROW-ONCE BIL-FULL BIL-CREDIT
CSH-START CSH-STATE CSH-FUNDS CSH-ANSWER CSH-OUTCOME CSH-CLOSE CSH-ORDER CSH-CANCEL CSH-MONEY-WIDTH
KIT-FRAME KIT-GAP KIT-ANSWER KIT-QUIET KIT-POLL-RATE KIT-WAIT KIT-RETRY KIT-SEQ KIT-RELINK KIT-START KIT-ONCE
KIT-EVENTS-KEPT KIT-BAD-INERT KIT-PRICE-WHOLE KIT-WATCHDOG KIT-SALE-STATE KIT-LOCKOUT KIT-SHAPE KIT-STATUS
PNL-FRAME PNL-RATE PNL-RELEASE PNL-LOST PNL-STUCK
AUD-HANDSHAKE AUD-CHECK AUD-ALTERNATE AUD-BLOCK AUD-TIMING AUD-RETRY AUD-SEGMENTS AUD-TEXT-CHECK AUD-TOTALS
AUD-SOLD
SYS-MONEY SYS-PAID-OR-DELIVERED SYS-ONE-COIL SYS-DOOR SYS-COLD SYS-RECOVER SYS-PRESENT SYS-TRUTH
SYS-SURVEY SYS-PRICES SYS-SETPOINT SYS-HANDOVER
""".split()
_RANK = {name: rank for rank, name in enumerate(ORDER)}


def rank(rule: str) -> tuple[int, int]:
    """Sort key of a rule: its family, then its place in `ORDER`."""
    family = rule.split("-", 1)[0]
    return FAMILIES.index(family) if family in FAMILIES else len(FAMILIES), _RANK.get(rule, len(_RANK))


class Place(NamedTuple):
    """Where something was found."""

    time_s: float
    frame: int | None  # number of the frame, None for what happened off the links
    text: str

    def as_json(self) -> dict:
        """As the JSON contract has it."""
        return {"time_s": self.time_s, "frame": self.frame, "text": self.text}


class Verdict(NamedTuple):
    """One rule about one seat in one case. Values are in `unit`; None where nothing is measured."""

    rule: str
    judged: str  # a seat's name
    outcome: str
    checked: int
    broken: int
    worst: float | None
    limit: Limit | None
    margin: float | None  # how far the worst value is on the legal side, negative beyond
    uncertainty: float | None
    confidence: str
    source: str
    why: str | None  # reason for unseen
    case: str | None
    at: tuple[Place, ...]

    def as_json(self) -> dict:
        """As the JSON contract has it; the limit is [from, to], an open side null."""
        limit = self.limit
        return {
            "rule": self.rule,
            "judged": self.judged,
            "outcome": self.outcome,
            "checked": self.checked,
            "broken": self.broken,
            "worst": self.worst,
            "limit": limit and [None if v is None else limit.shown(v) for v in (limit.low, limit.high)],
            "unit": limit and limit.unit,
            "margin": self.margin,
            "uncertainty": self.uncertainty,
            "confidence": self.confidence,
            "source": self.source,
            "why": self.why,
            "case": self.case,
            "at": [place.as_json() for place in self.at],
        }
