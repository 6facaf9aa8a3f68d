"""Traffic of the payment bus written by hand: words with their mode bits, times between them.

    Script().out("10B 00B").answer("100")        a POLL, 1 ms later the ACK of the device asked

Words are hexadecimal, bit 8 is the mode bit; checksums are written out by whoever writes the test.
"""

from benchsim.events import BREAK, TICKS_PER_MS, Burst, Happening, LinkInfo
from benchsim.judge import Judge
from benchsim.judge.rounds import Rounds
from benchsim.schema import load_book

WORD = 82_500  # ticks: 11 bits at 9600 baud
MS = TICKS_PER_MS


class Script:
    """Bursts in order of time. `at` is the end of the last word so far."""

    def __init__(self, uncertainty=0, edges=True, chunks=False, links=()):
        self.info = LinkInfo("bus", "board", WORD, uncertainty, edges, chunks)
        self.links = list(links)
        self.told, self.at = [], 10 * MS

    def say(self, seat, words, after=1.0, gaps=None, word=WORD, plus=0, start=None):
        """Words of a seat, `after` ms (and `plus` ticks) after the last; `gaps` in ticks, one a word."""
        values = tuple(int(w, 16) for w in words.split())
        begin = self.at + round(after * MS) + plus if start is None else start
        gaps = tuple(gaps) if gaps else ()
        end = begin + word * len(values) + sum(gaps)
        self.told.append(Burst(begin, end, "bus", seat == "board", seat, values, gaps))
        self.at = max(self.at, end)
        return self

    def out(self, words, after=60.0, **more):
        """Words of the controller."""
        return self.say("board", words, after, **more)

    def answer(self, words, after=1.0, seat="changer", **more):
        """Words of a device."""
        return self.say(seat, words, after, **more)

    def ack(self, after=1.0, **more):
        """The controller's ACK."""
        return self.say("board", "000", after, **more)

    def hold(self, ms, after=60.0, plus=0):
        """A break."""
        begin = self.at + round(after * MS)
        self.at = begin + round(ms * MS) + plus
        self.told.append(Burst(begin, self.at, "bus", True, "board", (BREAK,)))
        return self

    def happen(self, kind, seat="machine", after=0.0, **data):
        """Something off the links."""
        self.told.append(Happening(self.at + round(after * MS), seat, kind, data))
        return self

    def wait(self, ms):
        """Nothing."""
        self.at += round(ms * MS)
        return self

    def polls(self, times, every=100.0, poll="10B 00B", answer="100", seat="changer"):
        """A device at rest: POLL and its ACK."""
        for _ in range(times):
            self.out(poll, every).answer(answer, seat=seat)
        return self

    def judge(self, end=20.0, blind=False, **more):
        """{(rule, seat): verdict}, the end `end` ms after the last word. `blind`: a tap without names."""
        judge = Judge([self.info, *self.links], load_book(), **more)
        listener = Rounds(judge)
        for one in sorted(self.told, key=lambda one: one.start if isinstance(one, Burst) else one.time):
            if isinstance(one, Happening):
                listener.happening(one)
            else:
                listener.burst(one._replace(sender="") if blind else one)
        listener.close(self.at + round(end * MS))
        return {(v.rule, v.judged): v for v in judge.verdicts()}

    def broken(self, **more):
        """["RULE seat"] of all that failed or warned."""
        return [f"{r} {s}" for (r, s), v in self.judge(**more).items() if v.outcome in ("fail", "warn")]


# Start-up of a changer at level 3, sums by hand.
# SETUP 09 -> 03 1978 05 02 00 03 | 01 02 04 0A 14: 03+19+78+05+02+00+03 = 9E, +01+02+04+0A+14 = C3
CHANGER_SETUP = "003 019 078 005 002 000 003 001 002 004 00A 014 1C3"


def started(script=None):
    """A changer after RESET, JUST RESET and SETUP."""
    s = script or Script()
    s.out("108 008").answer("100")
    s.out("10B 00B").answer("00B 10B").ack()
    return s.out("109 009").answer(CHANGER_SETUP).ack()
