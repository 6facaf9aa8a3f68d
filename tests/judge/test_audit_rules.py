"""Rules of the audit link, put before scripts made by hand; checks by the crc library. Limits as the file states them:
answers within 1 s, gaps of 250 ms, blocks of 245 bytes, five tries (EVA DTS 6.1, from memory)."""

import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parents[1] / "links"))  # tests are not a package: this finds audit_by_hand
from audit_by_hand import ACK0, ACK1, ENQ, EOT, MS, NAK, WAIT, WORD, block, burst, texted

from benchsim.events import Happening, LinkInfo
from benchsim.judge import Judge
from benchsim.judge.verdict import ORDER
from benchsim.schema import load_book

BOOK = load_book()
REQUEST, RESPONSE = block(b"BSR0000001RR01L01", head=True), block(b"00BSM0000001R01L01", head=True)
TEXT = texted("ID1*1*B*2", "VA1*350*3*350*3", "PA1*101*125", "PA2*2*250*2*250", "PA1*102*100", "PA2*1*100*1*100")
FIRST, LAST = block(TEXT[:100], last=False), block(TEXT[100:])
R, B = True, False  # who says it


class Script:
    """Things said on the link, one after another."""

    def __init__(self, doubt=0):
        self.events, self.now, self.doubt = [], 1000 * MS, doubt

    def say(self, out, wire, after=10.0, gaps=()):
        """`after`: milliseconds since the end of what was said before."""
        one = burst(wire, self.now + round(after * MS), out, gaps)
        self.events.append(one)
        self.now = one.end
        return self

    def all(self, *said):
        for out, wire in said:
            self.say(out, wire)
        return self

    def handshake(self, request=REQUEST, response=RESPONSE):
        self.all((R, ENQ), (B, ACK0), (R, request), (B, ACK1), (R, EOT))
        return self.all((B, ENQ), (R, ACK0), (B, response), (R, ACK1), (B, EOT))

    def data(self, *blocks):
        self.all((B, ENQ), (R, ACK0))
        for n, one in enumerate(blocks):
            self.all((B, one), (R, ACK0 if n % 2 else ACK1))
        return self.say(B, EOT)

    def happens(self, seat, kind, **data):
        self.events.append(Happening(self.now, seat, kind, data))
        return self

    def judged(self):
        judge = Judge([LinkInfo("audit", "auditor", WORD, uncertainty=self.doubt)], BOOK)
        for event in self.events:
            judge.happening(event) if type(event) is Happening else judge.burst(event)
        judge.close(self.now + 20_000 * MS)
        return judge.verdicts()

    def broken(self):
        return sorted(f"{v.rule} {v.judged} {v.outcome}" for v in self.judged() if v.outcome not in ("pass", "unseen"))


def whole(text=(FIRST, LAST)):
    return Script().handshake().data(*text)


def test_a_whole_session_breaks_nothing():
    passed = {f"{v.rule} {v.judged}" for v in whole().judged() if v.outcome == "pass" and v.rule.startswith("AUD")}
    both = ("HANDSHAKE", "CHECK", "ALTERNATE", "TIMING")
    assert passed == {f"AUD-{name} {seat}" for name in both for seat in ("auditor", "board")} | {
        "AUD-BLOCK board", "AUD-SEGMENTS board", "AUD-TEXT-CHECK board", "AUD-TOTALS board"
    }  # fmt: skip
    assert whole().broken() == []


@pytest.mark.parametrize(
    ("script", "broken"),
    [
        # handshakes
        (Script().handshake(request=block(b"BSR0000001XR01L01", head=True)), "AUD-HANDSHAKE auditor fail"),
        (Script().handshake(request=block(b"BSR0000001RR01L01")), "AUD-HANDSHAKE auditor fail"),
        (Script().handshake(response=block(b"01BSM0000001R01L01", head=True)), "AUD-HANDSHAKE board fail"),
        (Script().handshake(response=block(b"00BSM", head=True)), "AUD-HANDSHAKE board fail"),
        (whole().data(FIRST, LAST), "AUD-HANDSHAKE board fail"),  # nobody asked for it twice
        (whole((block(b"X", head=True),)), "AUD-HANDSHAKE board fail"),
        (Script().handshake().say(B, FIRST), "AUD-HANDSHAKE board fail"),  # without a bid
        (Script().all((R, ENQ), (R, REQUEST)), "AUD-HANDSHAKE auditor fail"),
        (Script().all((R, ENQ), (B, ACK0), (R, REQUEST), (B, ACK1), (R, EOT)), "AUD-HANDSHAKE board fail"),
        # checks
        (Script().handshake().all((B, ENQ), (R, ACK0), (B, block(TEXT[:100], spoil=1))), "AUD-CHECK board fail"),
        (Script().all((R, ENQ), (B, ACK0), (R, REQUEST[:-1] + b"\xff")), "AUD-CHECK auditor fail"),
        # answers
        (Script().all((R, ENQ), (B, ACK1)), "AUD-ALTERNATE board fail"),
        (Script().all((R, ENQ), (B, ACK0), (R, REQUEST), (B, ACK0)), "AUD-ALTERNATE board fail"),
        (Script().all((R, ENQ), (B, ACK0), (R, REQUEST[:-1] + b"\xff"), (B, ACK1)), "AUD-ALTERNATE board fail"),
        (Script().handshake().all((B, ENQ), (R, ACK0), (B, FIRST), (R, ACK1), (B, LAST), (R, ACK1)), "AUD-ALTERNATE auditor fail"),
        (Script().all((R, ENQ), (B, ACK0), (R, REQUEST), (B, ACK1), (R, ENQ), (B, ACK0)), "AUD-ALTERNATE board fail"),
        # blocks
        (whole((block(b"A" * 246, last=False), LAST)), "AUD-BLOCK board fail"),
        # tries
        (Script().handshake().all((B, ENQ), (R, ACK0), (B, FIRST), (R, NAK), (B, LAST)), "AUD-RETRY board fail"),
        (Script().handshake().all((B, ENQ), (R, ACK0), (B, FIRST), (B, LAST)), "AUD-RETRY board fail"),
        # text
        (whole((block(TEXT.replace(b"SE*9", b"SE*8")),)), "AUD-SEGMENTS board fail"),
        (whole((block(TEXT.replace(b"G85*", b"G85*0")),)), "AUD-TEXT-CHECK board warn"),
        (whole((block(texted("VA1*1*1*0*0", "PA1*101*5", "PA2*1*2*0*0")),)), "AUD-TOTALS board fail"),
    ],
)  # fmt: skip
def test_what_breaks_a_rule(script, broken):
    assert broken in script.broken()


@pytest.mark.parametrize(
    "said",
    [
        ((R, NAK), (B, FIRST), (R, NAK), (B, FIRST), (R, ACK1)),
        ((R, WAIT), (B, ENQ), (R, WAIT), (B, ENQ), (R, ACK1)),
        ((R, ACK1), (B, ENQ), (R, ACK1)),
        ((R, ACK1), (B, FIRST), (R, ACK1)),  # its answer was not heard, and it says the block again
        ((R, b"\x50"), (B, ENQ), (R, ACK1)),
        ((R, b"\x50"), (B, ENQ), (R, ACK0), (B, FIRST), (R, ACK1)),  # what could not be read was no acknowledgement
    ],
)
def test_repeats_that_are_in_order(said):
    script = Script().handshake().all((B, ENQ), (R, ACK0), (B, FIRST), *said, (B, LAST), (R, ACK0), (B, EOT))
    assert script.broken() == []
    assert {v.outcome for v in script.judged() if v.rule == "AUD-SEGMENTS"} == {"pass"}


@pytest.mark.parametrize(("ms", "outcome"), [(1000, "pass"), (1000.1, "warn")])
def test_answers_in_time(ms, outcome):
    script = Script().say(R, ENQ).say(B, ACK0, ms)
    assert [v.outcome for v in script.judged() if v.rule == "AUD-TIMING" and v.judged == "board"] == [outcome]


@pytest.mark.parametrize(("ms", "outcome"), [(250, "pass"), (251, "warn")])
def test_gaps(ms, outcome):
    gaps = (0, 0, 0, ms * MS) + (0,) * (len(REQUEST) - 4)
    script = Script().all((R, ENQ), (B, ACK0)).say(R, REQUEST, 10, gaps).say(B, ACK1)
    assert [v.outcome for v in script.judged() if v.rule == "AUD-TIMING" and v.judged == "auditor"] == [outcome]


@pytest.mark.parametrize(("times", "outcome"), [(5, "pass"), (6, "warn")])
def test_five_tries(times, outcome):
    script = Script().all((R, ENQ), (B, ACK0))
    for _ in range(times):
        script.all((R, REQUEST), (B, NAK))
    script.say(R, EOT)
    assert [v.outcome for v in script.judged() if v.rule == "AUD-RETRY" and v.judged == "auditor"] == [outcome]


def test_no_answer_at_all():
    once = Script().handshake().say(R, ENQ).say(R, ENQ, 1100)
    assert "AUD-TIMING board warn" in once.broken()
    never = Script().say(R, ENQ).say(R, ENQ, 1100)  # there is no board, as far as anybody knows
    assert never.broken() == []


def test_a_reader_that_was_pulled_and_comes_again():
    """The board may take it for the one before (ACK1 again) or for a new one (ACK0)."""
    for answer in (ACK0, ACK1):
        script = Script().all((R, ENQ), (B, ACK0), (R, REQUEST), (B, ACK1))
        script.happens("auditor", "audit", state="failed", why="pulled out")
        script.happens("auditor", "audit", state="begins", why="")
        script.all((R, ENQ), (B, answer))
        assert [one for one in script.broken() if "ALTERNATE" in one] == []


def test_a_board_that_lost_its_supply():
    script = Script().all((R, ENQ), (B, ACK0), (R, REQUEST), (B, ACK1))
    script.happens("board", "power", on=False).happens("board", "power", on=True)
    script.say(R, ENQ, 3000).say(B, ACK0)
    assert script.broken() == []


def cash(into, out, tubes):
    return (block(texted(f"CA3*****{into}*0*{into}*0", f"CA4***{out}*0", f"CA15*{tubes}")),)


@pytest.mark.parametrize(
    ("second", "rest", "outcome"),
    [
        (cash(300, 50, 1250), 5000, "pass"),  # 200 more in, 50 out: the tubes grew by 150
        (cash(300, 50, 1300), 5000, "warn"),
        (cash(300, 50, 1300), 500, "pass"),  # money moved a moment ago: not compared
    ],
)
def test_totals_from_one_reading_to_the_next(second, rest, outcome):
    script = whole(cash(100, 0, 1100)).happens("changer", "coin", value=200, to="tube")
    script.now += rest * MS
    script.handshake().data(*second)
    assert [v.outcome for v in script.judged() if v.rule == "AUD-TOTALS"] == [outcome]


def test_a_fill_by_hand_is_not_held_against_a_board_that_cannot_know():
    script = whole(cash(100, 0, 1100)).happens("changer", "service", type=0, value=500, to="tube")
    script.now += 5000 * MS
    script.handshake().data(*cash(100, 0, 1600))
    assert script.broken() == []


SAID = st.tuples(st.booleans(), st.sampled_from(
    [ENQ, EOT, NAK, ACK0, ACK1, WAIT, REQUEST, RESPONSE, FIRST, LAST, b"\x10", b"abc", FIRST[:30], LAST[:-1] + b"\0"]
))  # fmt: skip


@given(st.lists(SAID, max_size=30))
def test_whatever_is_said_has_a_verdict(said):
    verdicts = Script().all(*said).judged()
    assert {v.rule for v in verdicts if v.checked} <= {one for one in ORDER if one.startswith("AUD-")}
