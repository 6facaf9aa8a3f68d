"""Was the seat under test there at all?"""

from benchsim.judge.registry import rule
from benchsim.judge.tally import Moment


@rule("SYS-PRESENT", "subject", source="common practice")
def says_something(tally, judge):
    """The seat under test said at least one valid thing; a silent subject fails."""

    def end(tick):
        if judge.subject is not None:
            there = judge.subject in judge.present
            tally.check(judge.subject, there, Moment(tick, "" if there else "not one valid word until here"))

    return {"end": end}
