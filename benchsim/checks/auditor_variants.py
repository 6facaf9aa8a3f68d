"""Audit readers that are wrong, or odd but legal."""

from functools import partial

from benchsim.checks.audit_habits import Halts, answers, answers_after, no_bid, says_again, sends, takes_anything
from benchsim.checks.stage import Variant
from benchsim.links.audit_blocks import wrap
from benchsim.links.audit_sides import ReaderSide, Receiver, Sender
from benchsim.seats.auditor import Auditor


with_sender, with_receiver = partial(sends, ReaderSide), partial(answers, ReaderSide)


class TakesAnything(Auditor):
    """Acknowledges a block whatever its check is."""

    TALK = with_receiver(_take=takes_anything)


class CountsOn(Auditor):
    """Counts a block that comes a second time as a new one, and answers ENQ with the next number too."""

    def _answer(self, name, item):
        self.said = getattr(self, "said", -1) + (name != "NAK")
        Receiver._answer(self, name if name == "NAK" else f"ACK{self.said % 2}", item)

    TALK = with_receiver(_answer=_answer)


class BadCheck(Auditor):
    """Sends the check of its request with the high byte first."""

    def _block(self, at):
        wire = self._blocks[self._at]
        self._send(wire[:-2] + wire[:-3:-1], at)

    TALK = with_sender(_block=_block)


class NoBid(Auditor):
    """Sends its request without a bid."""

    TALK = with_sender(_bid=no_bid)


class ShortRequest(Auditor):
    """Leaves the revision out of its request."""

    class TALK(ReaderSide):
        def send(self, blocks, done, now):
            request = self.spec.build_request(id=self._id, operation="R")[:11]
            super().send([wrap(self.spec, request, last=True, head=True)], done, now)


class NeverGivesUp(Auditor):
    """Says its request again as long as it is refused, thirty times."""

    def due(self, now):
        self.total = getattr(self, "total", 0) + 1
        self._tries = min(self._tries, 1) if self.total < 30 else self._tries
        Sender.due(self, now)

    TALK = with_sender(due=due)


class Halting(Halts, Auditor):
    """Halts for 400 ms in the middle of its request."""


class SlowAnswers(Auditor):
    """Answers after 1.3 s."""

    TALK = with_receiver(_answer=answers_after(1.3))


class Forgetful(Auditor):
    """Says another request than the one that was refused."""

    def _block(self, at):
        if self._tries:
            wrapped = self.spec.build_request(id="OTHER00001", operation="R")
            self._blocks[self._at] = wrap(self.spec, wrapped, last=True, head=True)
        Sender._block(self, at)

    TALK = with_sender(_block=_block)


class Leisurely(Auditor):
    """Answers after 0.8 s."""

    TALK = with_receiver(_answer=answers_after(0.8))


class SaysAgain(Auditor):
    """Says its request again when no answer comes, in place of ENQ."""

    TALK = with_sender(_ask=says_again)


class Impatient(Auditor):
    """Gives up after two tries."""

    def due(self, now):
        self._tries += 2
        Sender.due(self, now)

    TALK = with_sender(due=due)


VARIANTS = (
    Variant(TakesAnything, "auditor", "block-spoilt", "AUD-ALTERNATE"),
    Variant(CountsOn, "auditor", "asked-again", "AUD-ALTERNATE"),
    Variant(BadCheck, "auditor", "read", "AUD-CHECK"),
    Variant(NoBid, "auditor", "read", "AUD-HANDSHAKE"),
    Variant(ShortRequest, "auditor", "read", "AUD-HANDSHAKE"),
    Variant(NeverGivesUp, "auditor", "never-taken", "AUD-RETRY"),
    Variant(Forgetful, "auditor", "request-refused", "AUD-RETRY"),
    Variant(Halting, "auditor", "read", "AUD-TIMING"),
    Variant(SlowAnswers, "auditor", "read", "AUD-TIMING"),
    *(Variant(reader, "auditor", None) for reader in (Leisurely, SaysAgain, Impatient)),
)
