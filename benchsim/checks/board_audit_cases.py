"""Cases of the board plan over the audit link: a reader takes the counters, and is not always a good one.

The simulated reader does what a good one does; a case changes what it says. Rules: `judge/audit_rules.py`.
"""

from benchsim.checks.audit_tricks import Change, Which, half, instead, is_block, nothing, spoilt
from benchsim.checks.board_sale_cases import RICH, SETTLED, change
from benchsim.checks.board_stage import BoardStage
from benchsim.checks.stage import SUPPLY, Cases, NotReached
from benchsim.events import TICKS_PER_MS
from benchsim.links.audit_blocks import code, wrap

CASES = Cases("audit")
case = CASES.case
BOOTS = 2.0  # seconds that a board gets to start
LONGEST = 60.0  # seconds: no session takes longer
GIVEN_UP = 8.0  # seconds of silence after which any board has given a session up
AT_REST = 6.0  # seconds without money moving


class Reader:
    """The simulated reader in the hands of a case."""

    def __init__(self, s: BoardStage):
        if s.bench.auditor is None:
            raise NotReached("the audit reader is no simulated seat here")
        self.s, self.auditor, self.spec = s, s.bench.auditor, s.bench.book.audit
        self.codes = {name: code(self.spec, name) for name in self.spec.codes}

    async def read(self) -> bool:
        """One session, whatever comes of it. Did a text come?"""
        got: list = []
        self.auditor.begin(got.append)
        await self.s.until(lambda: got, LONGEST, "the reading never ended")
        return got[0].text is not None

    def instead(self, which: Which, change: Change, times: int = 1, after: int = 0) -> None:
        """See `audit_tricks.instead`."""
        instead(self.auditor, which, change, times, after)

    def answers(self, name: str, times: int = 1, after: int = 0) -> None:
        """In place of so many ACKs to blocks of the text another answer."""
        acks = self.codes["ACK0"], self.codes["ACK1"]
        # before the text: ACK0 to the bid and ACK1 to the response, ACK0 to the bid of the text
        self.instead(lambda wire: wire in acks, lambda wire: self.codes[name], times, 3 + after)

    async def said(self, words: int, times: int = 1) -> None:
        """Wait until the board has said so many bursts of at least so many words."""
        seen = Seen(words)
        self.s.bench.trace.listeners.append(seen)
        await self.s.until(lambda: seen.count >= times, LONGEST, "the board never sent its text")


class Seen:
    """A listener: how often the board said that much on the audit link in one go."""

    def __init__(self, words: int):
        self.words, self.count, self._length, self._end = words, 0, 0, 0

    def burst(self, burst) -> None:
        """Words of the board, in pieces of any size."""
        if burst.link == "audit" and not burst.out:
            self._length = self._length * (burst.start - self._end < 50 * TICKS_PER_MS) + len(burst.words)
            self._end = burst.end
            self.count += self._length >= self.words

    def happening(self, happening) -> None:
        """Off the links nothing is listened to."""


async def started(s: BoardStage) -> Reader:
    """The board has started, and was read once."""
    reader = Reader(s)
    await s.sleep(BOOTS)
    await reader.read()
    return reader


@case("audit-quiet", "A reader reads a board that sells nothing, twice")
async def quiet(s: BoardStage):
    reader = await started(s)
    await reader.read()


@case("audit-after-sales", "A reading, sales by coin, bill and card, a reading, and another", "bus", "kit")
async def after_sales(s: BoardStage):
    reader = Reader(s)
    await s.on_sale()
    await s.enabled()
    await reader.read()
    await s.coins(s.price())
    s.tap()
    await s.sold()
    await change(s)
    await s.bill()
    s.tap(0, 1)
    await s.sold(2)
    await change(s)
    await s.card(RICH)
    s.tap(0, 2)
    await s.sold(3)
    s.device("cashless1").pull()
    await s.sleep(SETTLED + AT_REST)
    await reader.read()
    await reader.read()


@case("audit-while-selling", "A product is sold while a reading goes on, and then the counters are read again", "bus", "kit")
async def while_selling(s: BoardStage):
    reader = Reader(s)
    await s.on_sale()
    await s.coins(s.price())
    got: list = []
    reader.auditor.begin(got.append)
    await s.sleep(0.3)
    s.tap()
    await s.sold()
    await s.until(lambda: got, LONGEST, "the reading never ended")
    await change(s)
    await reader.read()


@case("audit-nak", "The reader refuses a block of each transmission once, and good ones with NAK twice in a row")
async def nak(s: BoardStage):
    reader = await started(s)
    reader.answers("NAK")
    await reader.read()
    reader.answers("NAK", times=2, after=1)
    await reader.read()


@case("audit-bad-check", "The reader's request comes with a wrong check, twice, before it comes well")
async def bad_check(s: BoardStage):
    reader = await started(s)
    reader.instead(is_block, spoilt, 2)
    await reader.read()


@case("audit-request-cut", "The reader stops in the middle of its request, and says it again as a whole")
async def request_cut(s: BoardStage):
    reader = await started(s)
    reader.instead(is_block, half)
    await reader.read()


@case("audit-wrong-ack", "The reader answers a block with the number of the one before")
async def wrong_ack(s: BoardStage):
    reader = await started(s)
    reader.instead(lambda wire: wire == reader.codes["ACK1"], lambda wire: reader.codes["ACK0"], after=1)
    await reader.read()
    reader.answers("ACK0")
    await reader.read()


@case("audit-ack-lost", "Answers of the reader do not arrive, one at a time")
async def ack_lost(s: BoardStage):
    reader = await started(s)
    acks = reader.codes["ACK0"], reader.codes["ACK1"]
    for after in (0, 1, 3, 4):
        reader.instead(lambda wire: wire in acks, nothing, after=after)
        await reader.read()


@case("audit-asks-again", "The reader asks with ENQ for an answer that it has had")
async def asks_again(s: BoardStage):
    reader = await started(s)
    line = s.bench.lines["audit"]

    def later(wire: bytes) -> bytes:
        s.clock.call_at(s.clock.now() + 120 * TICKS_PER_MS, line.say, "auditor", tuple(reader.codes["ENQ"]),
                        s.clock.now() + 120 * TICKS_PER_MS)  # fmt: skip
        return None

    reader.instead(lambda wire: wire == reader.codes["EOT"], later)
    await reader.read()
    await s.sleep(GIVEN_UP)
    await reader.read()


@case("audit-wait", "The reader tells the board to wait, several times")
async def wait(s: BoardStage):
    reader = await started(s)
    acks = reader.codes["ACK0"], reader.codes["ACK1"]
    reader.instead(lambda wire: wire in acks, lambda wire: reader.codes["WAIT"], 6, 3)
    await reader.read()


@case("audit-pulled", "The reader is pulled in the middle of a block of the board, and plugged in again")
async def pulled(s: BoardStage):
    reader = await started(s)
    for seconds in (1.0, 3.0):
        reader.auditor.begin(lambda reading: None)
        await reader.said(100)
        reader.auditor.pull()
        await s.sleep(seconds)
        await reader.read()


@case("audit-pulled-early", "The reader is pulled while it says its request, and plugged in again")
async def pulled_early(s: BoardStage):
    reader = await started(s)
    reader.auditor.begin(lambda reading: None)
    await s.sleep(0.055)
    reader.auditor.pull()
    await s.sleep(1.5)
    await reader.read()


@case("audit-silent", "The reader falls silent after the response, and later reads well")
async def silent(s: BoardStage):
    reader = await started(s)
    acks = reader.codes["ACK0"], reader.codes["ACK1"]
    reader.instead(lambda wire: wire in acks, nothing, 6, 3)
    await reader.read()
    await s.sleep(GIVEN_UP)
    reader.auditor.tricks.clear()
    await reader.read()


@case("audit-other-operation", "The reader wants to send data in place of reading them")
async def other_operation(s: BoardStage):
    reader = await started(s)
    spec = reader.spec
    request = wrap(spec, spec.build_request(id="BSR0000001", operation="S"), last=True, head=True)
    reader.instead(is_block, lambda wire: request)
    await reader.read()
    await s.sleep(GIVEN_UP)
    await reader.read()


@case("audit-power-cut", "The board loses its supply in the middle of its text, and is read again", hands=SUPPLY)
async def power_cut(s: BoardStage):
    reader = await started(s)
    reader.auditor.begin(lambda reading: None)
    await reader.said(100)
    await s.power(False)
    await s.sleep(1)
    await s.power(True)
    await s.sleep(GIVEN_UP)
    await reader.read()
