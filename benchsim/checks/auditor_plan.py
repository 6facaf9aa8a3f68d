"""The plan for an audit reader under test: we are the machine, with all its parts, and its audit port misbehaves.

A simulated reader is told to read. A real program or reader begins by itself (`--hands`: a person is asked to let it
read); one session a case is enough.
"""

from benchsim.checks.audit_tricks import half, instead, is_block, nothing, overhear, spoilt
from benchsim.checks.auditor_variants import VARIANTS
from benchsim.checks.stage import Cases, NotReached, Plan, Stage
from benchsim.links.audit_blocks import code, wrap

CASES = Cases("audit")
case = CASES.case
BEGINS = 40.0  # seconds for a reader to begin
LONGEST = 90.0  # seconds: no session takes longer
AFTER = 3.0  # seconds for what it may still say


class AuditorStage(Stage):
    """`port` is the simulated board's side."""

    def __init__(self, bench, person=None, switch=None):
        super().__init__(bench, person, switch)
        if bench.board is None:
            raise NotReached("the board is no simulated seat here")
        self.port, spec = bench.board.audit, bench.book.audit
        self.spec, self.codes = spec, {name: code(spec, name) for name in spec.codes}
        self.heard_at = None  # when the reader spoke last
        bench.trace.listeners.append(self)

    def burst(self, burst) -> None:
        """Words of the reader."""
        if burst.link == "audit" and burst.out:
            self.heard_at = self.clock.now()

    def happening(self, happening) -> None:
        """Off the links nothing is listened to."""

    async def reads(self) -> None:
        """One session, whatever comes of it."""
        auditor = self.bench.auditor
        await self.sleep(1.5)
        if auditor is None and self.person:
            self.person("Let the reader read the machine")
        if auditor is not None:
            auditor.begin(lambda reading: None)
        await self.until(lambda: self.heard_at is not None, BEGINS, "the reader never began")
        await self.until(self._over, LONGEST, "the session never ended")
        await self.sleep(AFTER)

    def _over(self) -> bool:
        """Nothing is under way on either side, as far as we know."""
        auditor = self.bench.auditor
        silent = self.clock.now() - self.heard_at > 72_000_000 * 8
        return not auditor.busy if auditor is not None else silent

    def acks(self, wire: bytes) -> bool:
        """Does the board acknowledge?"""
        return wire in (self.codes["ACK0"], self.codes["ACK1"])


@case("read", "A reading")
async def read(s: AuditorStage):
    await s.reads()


@case("block-spoilt", "Blocks of the text come with a wrong check, one of them twice, before they come well")
async def block_spoilt(s: AuditorStage):
    instead(s.port, is_block, spoilt, after=1)
    instead(s.port, is_block, spoilt, times=2, after=3)
    await s.reads()


@case("response-spoilt", "The response comes with a wrong check, before it comes well")
async def response_spoilt(s: AuditorStage):
    instead(s.port, is_block, spoilt)
    await s.reads()


@case("block-cut", "A block stops in its middle, and is said again")
async def block_cut(s: AuditorStage):
    instead(s.port, is_block, half, after=2)
    await s.reads()


@case("block-lost", "A block does not arrive: the board asks for its answer with ENQ")
async def block_lost(s: AuditorStage):
    instead(s.port, is_block, nothing, after=2)
    await s.reads()


@case("asked-again", "The board has not heard answers of the reader, and asks for them with ENQ")
async def asked_again(s: AuditorStage):
    overhear(s.port, lambda item: item.name in ("ACK0", "ACK1"), after=1)
    overhear(s.port, lambda item: item.name in ("ACK0", "ACK1"), times=2, after=3)
    await s.reads()


@case("request-refused", "The board refuses the request with NAK, twice")
async def request_refused(s: AuditorStage):
    instead(s.port, s.acks, lambda wire: s.codes["NAK"], times=2, after=1)
    await s.reads()


@case("request-unanswered", "The board's answer to the request is lost")
async def request_unanswered(s: AuditorStage):
    instead(s.port, s.acks, nothing, after=1)
    await s.reads()


@case("wrong-ack", "The board answers the request with the number of the bid")
async def wrong_ack(s: AuditorStage):
    instead(s.port, s.acks, lambda wire: s.codes["ACK0"], after=1)
    await s.reads()


@case("wait", "The board tells the reader to wait, several times")
async def wait(s: AuditorStage):
    instead(s.port, s.acks, lambda wire: s.codes["WAIT"], times=4, after=1)
    await s.reads()


@case("never-taken", "The board refuses the request for ever")
async def never_taken(s: AuditorStage):
    instead(s.port, s.acks, lambda wire: s.codes["NAK"], times=1000, after=1)
    await s.reads()


@case("not-to-be-read", "The board's response refuses the reading")
async def not_to_be_read(s: AuditorStage):
    refusal = wrap(s.spec, s.spec.build_response(result=s.spec.refused, id="BSM0000001"), last=True, head=True)
    instead(s.port, is_block, lambda wire: refusal)
    instead(s.port, lambda wire: wire == s.codes["ENQ"], nothing, times=1000, after=1)
    await s.reads()


@case("falls-silent", "The board falls silent in the middle of its text")
async def falls_silent(s: AuditorStage):
    instead(s.port, is_block, nothing, times=1000, after=2)
    instead(s.port, lambda wire: wire == s.codes["ENQ"], nothing, times=1000, after=2)
    await s.reads()


PLAN = Plan("auditor", CASES, AuditorStage, ("audit",), VARIANTS)
