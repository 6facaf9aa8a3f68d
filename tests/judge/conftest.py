"""A hand-written talk on the kit link, put before the judge. Frames are made here with the crccheck library,
stuffed as RFC 1662 §4.2 says, and never with the code under test.
"""

import pytest
from crccheck.crc import CrcX25

from benchsim.events import Burst, Happening, LinkInfo
from benchsim.judge import Judge
from benchsim.judge.rounds import Rounds
from benchsim.judge.stalls import Stalls
from benchsim.schema import load_book

MS = 72_000  # ticks in a millisecond
BYTE = 6_250  # ticks of a byte at 115,200 baud: 10 bits of 625
PANEL_BYTE = 75_000  # at 9,600 baud: 10 bits of 7,500
PRICES = (100, 100, 200, 0xFFFF)  # two rows, two columns
TABLE = b"".join(p.to_bytes(2, "big") for p in PRICES)
IDENT = b"MAKER-------MODEL-------SERIAL------" + bytes((0x01, 0x00, 2, 2))


def wire_of(body: bytes, wreck: bool = False) -> bytes:
    """Flag, stuffed body and check, flag. `wreck` turns one bit of the check."""
    inner = body + (CrcX25.calc(body) ^ wreck).to_bytes(2, "little")
    stuffed = inner.replace(b"\x7d", b"\x7d\x5d").replace(b"\x7e", b"\x7d\x5e")
    return b"\x7e" + stuffed + b"\x7e"


class Kit:
    """A script. Times in milliseconds; `host` and `board` say a body given in hex."""

    def __init__(self, whole: bool = True, doubt: float = 0, chunks: bool = False):
        self.events: list = [Happening(0, "bench", "case", {"name": "x"})] if whole else []
        self.now = self.asked = self.seq = 0  # ticks: end of the last frame, start of the host's last frame
        info = {"uncertainty": round(doubt * MS), "chunks": chunks}
        self.links = [LinkInfo("kit", "host", BYTE, **info), LinkInfo("panel", "host", PANEL_BYTE, **info)]

    # ---- saying

    def host(self, body: str, after: float = 5, every: float | None = None, **how) -> "Kit":
        """A frame `after` the end of the last, or `every` from the start of the host's last."""
        start = self.now + round(after * MS) if every is None else self.asked + round(every * MS)
        self.asked = start
        return self._say(body, True, start, **how)

    def board(self, body: str, after: float = 2, **how) -> "Kit":
        """A frame of the board, `after` the end of the last frame."""
        return self._say(body, False, self.now + round(after * MS), **how)

    def _say(self, body: str, out: bool, start: int, wreck=False, gap: float = 0, cut: int = 0) -> "Kit":
        words = tuple(wire_of(bytes.fromhex(body), wreck))
        words = words[:cut] if cut else words
        gaps = (0, 0, round(gap * MS)) + (0,) * (len(words) - 3) if gap else ()
        end = start + len(words) * BYTE + sum(gaps)
        self.events.append(Burst(start, end, "kit", out, "host" if out else "board", words, gaps))
        self.now = max(self.now, end)
        return self

    def wait(self, ms: float) -> "Kit":
        """Nothing is said."""
        self.now += round(ms * MS)
        return self

    def power(self, seat: str, on: bool) -> "Kit":
        """The supply of a seat."""
        self.events.append(Happening(self.now, seat, "power", {"on": on, "cause": 0}))
        return self

    def late(self, ms: float) -> "Kit":
        """The bench's own computer stood still until now, for so long."""
        self.events.append(Happening(self.now, "bench", "late", {"us": round(ms * 1000)}))
        return self

    def panel(self, body: str, after: float, wreck=False, cut=0) -> "Kit":
        """A report of the panel; `after` counts from start to start here."""
        start = self.now + round(after * MS)
        words = tuple(wire_of(bytes.fromhex(body), wreck))
        self.events.append(Burst(start, start + len(words) * PANEL_BYTE, "panel", False, "panel", words))
        self.now = start
        return self

    # ---- exchanges

    def ask(self, op: str, payload: str = "", answer: str = "00", **how) -> "Kit":
        """A request with the next seq, and its answer (status and the rest, in hex)."""
        self.seq = (self.seq + 1) % 256
        self.host(f"{op}{self.seq:02x}{payload}", **how)
        return self.answer(answer)

    def answer(self, answer: str = "00", **how) -> "Kit":
        """The right answer to the host's last request."""
        last = next(e for e in reversed(self.events) if isinstance(e, Burst) and e.out)
        return self.board(f"{last.words[1] | 0x80:02x}{self.seq:02x}{answer}", **how)

    def poll(self, state: int = 3, credit: int = 0, events=(), **how) -> "Kit":
        """POLL and its answer; an event is (number, code, data in hex)."""
        return self.ask("03", "", polled(state, credit, events), **{"after": 95, **how})

    def start(self, first: str = "0100", prices: bytes = TABLE) -> "Kit":
        """RESET (seq 0) to OPEN-SALE (seq 5)."""
        self.seq = int(first[2:4], 16)
        self.host(first).answer("000100")
        self.ask("02", "", "00" + IDENT.hex())
        return self.table(prices).ask("04")

    def table(self, prices: bytes = TABLE, commit: str = "00") -> "Kit":
        """A whole price table."""
        self.ask("08", f"{len(prices) // 2:04x}").ask("09", f"0000{len(prices) // 2:02x}{prices.hex()}")
        return self.ask("0a", f"{CrcX25.calc(prices):04x}", commit)

    # ---- judging

    def judge(self, end: float = 5, bytewise: bool = False, **more) -> Judge:
        """The judge, after the capture ended `end` after the last word."""
        judge = Judge(self.links, load_book(), stalls=Stalls(self.events), **more)
        listener = Rounds(judge)
        events = [one for e in self.events for one in (single(e) if bytewise else [e])]
        for event in sorted(events, key=lambda e: e[0]):
            (listener.burst if isinstance(event, Burst) else listener.happening)(event)
        listener.close(self.now + round(end * MS))
        return judge

    def verdict(self, rule: str, seat: str, **more):
        """One verdict."""
        return next(v for v in self.judge(**more).verdicts() if (v.rule, v.judged) == (rule, seat))

    def broken(self, **more) -> list[str]:
        """What came out as fail, warn or unsure: the same for whole frames and for single bytes."""
        whole, single = (self._broken(bytewise=b, **more) for b in (False, True))
        assert whole == single
        return whole

    def _broken(self, **more) -> list[str]:
        found = [v for v in self.judge(**more).verdicts() if v.outcome not in ("pass", "unseen")]
        return [f"{v.rule} {v.judged}" + ("" if v.outcome == "fail" else f" {v.outcome}") for v in found]


def single(event):
    """A burst as bursts of one byte each, as a port tells them."""
    if not isinstance(event, Burst):
        return [event]
    length = event.word_ticks()
    starts = event.word_starts()
    return [event._replace(start=at, end=at + length, words=(word,), gaps=()) for at, word in zip(starts, event.words)]


def polled(state: int, credit: int, events=()) -> str:
    """The answer to POLL behind kind and seq."""
    packed = "".join(f"{number:02x}{code:02x}{len(data) // 2:02x}{data}" for number, code, data in events)
    return f"00{state:02x}{credit:08x}{len(events):02x}{packed}"


@pytest.fixture(scope="session")
def kit():
    """Makes scripts."""
    return Kit


@pytest.fixture(scope="session")
def answer_to_poll():
    """Makes answers to POLL, in hex."""
    return polled
