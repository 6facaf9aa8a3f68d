"""Boards that are wrong, or odd but legal, on their audit port."""

from benchsim.checks.audit_habits import Halts, answers, answers_after, no_bid, says_again, sends, takes_anything
from benchsim.checks.stage import Variant
from benchsim.events import TICKS_PER_MS
from benchsim.links.audit_blocks import wrap
from benchsim.links.audit_sides import BoardSide, Receiver, Sender
from benchsim.links.audit_text import END, check_of
from benchsim.seats.audit_books import AuditBooks
from benchsim.seats.auditor import AuditPort
from benchsim.seats.board import Board


def with_talk(talk: type[BoardSide]) -> type[AuditPort]:
    """A port whose side of the link is that one."""
    return type("Port", (AuditPort,), {"TALK": talk})


def with_sender(**habits) -> type[AuditPort]:
    """A port that sends so."""
    return with_talk(sends(BoardSide, **habits))


def with_receiver(**habits) -> type[AuditPort]:
    """A port that answers so."""
    return with_talk(answers(BoardSide, **habits))


def with_blocks(make) -> type[AuditPort]:
    """A port that makes such blocks of a text: `make(spec, text)`."""
    return with_talk(type("Talk", (BoardSide,), {"blocks": lambda self, text: make(self.spec, text)}))


def with_text(change) -> type[AuditPort]:
    """A port that tells another text."""

    class Port(AuditPort):
        def _text(self, now):
            return change(super()._text(now).decode("ascii")).encode("ascii")

    return Port


def in_pieces(size: int):
    """Blocks of that many bytes."""

    def make(spec, text):
        pieces = [text[at : at + size] for at in range(0, len(text), size)]
        return [wrap(spec, piece, last=n == len(pieces)) for n, piece in enumerate(pieces, 1)]

    return make


def checked_anew(text: str) -> str:
    """The same text with the right G85."""
    start, end = text.index(f"{END}ST*") + len(END), text.index("G85*")
    return f"{text[:end]}G85*{check_of(text[start:end]):04X}{text[end + 8 :]}"


# ---- the link


class BadCheck(Board):
    """Takes the check of a block over its data alone, without the closing character."""

    @staticmethod
    def _blocks(spec, text):
        return [wire[:-2] + spec.check.bytes_of(wire[2:-4]) for wire in in_pieces(245)(spec, text)]

    AUDIT = with_blocks(_blocks)


class LongBlocks(Board):
    """Sends blocks of 300 bytes."""

    AUDIT = with_blocks(in_pieces(300))


class SameAnswer(Board):
    """Answers bid and request alike, with ACK0."""

    def _answer(self, name, item):
        Receiver._answer(self, "ACK0" if name == "ACK1" else name, item)

    AUDIT = with_receiver(_answer=_answer)


class TakesAnything(Board):
    """Acknowledges a request whatever its check is."""

    AUDIT = with_receiver(_take=takes_anything)


class GoesOn(Board):
    """Sends the next block when one is refused."""

    def hear(self, item):
        if item.name == "NAK" and 0 <= self._at < len(self._blocks) - 1:
            self._next(item.end)
        else:
            Sender.hear(self, item)

    AUDIT = with_sender(hear=hear)


class NeverGivesUp(Board):
    """Asks a reader that is silent for its answer again and again."""

    def due(self, now):
        self._tries = min(self._tries, 1)
        Sender.due(self, now)

    AUDIT = with_sender(due=due)


class NoBid(Board):
    """Sends its response without a bid."""

    AUDIT = with_sender(_bid=no_bid)


class NoResponse(Board):
    """Sends its text at once, without a response to the request."""

    class Talk(BoardSide):
        def _asked(self, blocks, why, now):
            self._answered(why, now)

    AUDIT = with_talk(Talk)


class Mute(Board):
    """Acknowledges a request, and never responds to it."""

    class Talk(BoardSide):
        def _asked(self, blocks, why, now):
            pass

    AUDIT = with_talk(Talk)


class SlowAnswers(Board):
    """Answers after 1.3 s."""

    AUDIT = with_receiver(_answer=answers_after(1.3))


class Halting(Board):
    """Halts for 400 ms in the middle of every block."""

    class AUDIT(Halts, AuditPort):
        """The port."""


# ---- the text


class CountsShort(Board):
    """Leaves ST and SE out of the count of segments."""

    @staticmethod
    def _fewer(text):
        counted = text.split("SE*")[1].split("*")[0]
        return text.replace(f"SE*{counted}*", f"SE*{int(counted) - 2}*")

    AUDIT = with_text(_fewer)


class CutsLines(Board):
    """Loses the end of one segment."""

    AUDIT = with_text(lambda text: checked_anew(text.replace(f"CA2*0*0*0*0{END}", "CA2*0*0", 1)))


class OtherCheck(Board):
    """Makes G85 over the text without its line ends."""

    @staticmethod
    def _other(text):
        start, end = text.index(f"{END}ST*") + len(END), text.index("G85*")
        return f"{text[:end]}G85*{check_of(text[start:end].replace(END, '')):04X}{text[end + 8 :]}"

    AUDIT = with_text(_other)


class CashOnly(Board):
    """Counts what a card pays in the products, and leaves it out of VA1."""

    class BOOKS(AuditBooks):
        def sold(self, item, cash, card):
            super().sold(item, cash, card)
            if card:
                self.ever.add("paid", -card)


class ForgetsCards(Board):
    """Does not count what a card has paid for: its totals close all the same."""

    class BOOKS(AuditBooks):
        def sold(self, item, cash, card):
            if not card:
                super().sold(item, cash, card)


class ForgetsChange(Board):
    """Does not count what it pays out."""

    class BOOKS(AuditBooks):
        def paid(self, amount):
            pass


# ---- odd but legal


class SmallBlocks(Board):
    """Sends blocks of 100 bytes."""

    AUDIT = with_blocks(in_pieces(100))


class Leisurely(Board):
    """Answers after 0.8 s."""

    AUDIT = with_receiver(_answer=answers_after(0.8))


class SaysAgain(Board):
    """Says a block again when no answer comes, in place of ENQ."""

    AUDIT = with_sender(_ask=says_again)


class NoTextCheck(Board):
    """Sends no G85."""

    @staticmethod
    def _without(text):
        counted = text.split("SE*")[1].split("*")[0]
        at = text.index("G85*")
        return (text[:at] + text[at + 10 :]).replace(f"SE*{counted}*", f"SE*{int(counted) - 1}*")

    AUDIT = with_text(_without)


class Pauses(Board):
    """Pauses for 240 ms in the middle of every block."""

    class AUDIT(Halting.AUDIT):
        HALT = 240 * TICKS_PER_MS


VARIANTS = (
    Variant(BadCheck, "board", "audit-quiet", "AUD-CHECK"),
    Variant(LongBlocks, "board", "audit-quiet", "AUD-BLOCK"),
    Variant(SameAnswer, "board", "audit-quiet", "AUD-ALTERNATE"),
    Variant(TakesAnything, "board", "audit-bad-check", "AUD-ALTERNATE"),
    Variant(GoesOn, "board", "audit-nak", "AUD-RETRY"),
    Variant(NeverGivesUp, "board", "audit-silent", "AUD-RETRY"),
    Variant(NoBid, "board", "audit-quiet", "AUD-HANDSHAKE"),
    Variant(NoResponse, "board", "audit-quiet", "AUD-HANDSHAKE"),
    Variant(Mute, "board", "audit-quiet", "AUD-HANDSHAKE"),
    Variant(SlowAnswers, "board", "audit-quiet", "AUD-TIMING"),
    Variant(Halting, "board", "audit-quiet", "AUD-TIMING"),
    Variant(CountsShort, "board", "audit-quiet", "AUD-SEGMENTS"),
    Variant(CutsLines, "board", "audit-quiet", "AUD-SEGMENTS"),
    Variant(OtherCheck, "board", "audit-quiet", "AUD-TEXT-CHECK"),
    Variant(CashOnly, "board", "audit-after-sales", "AUD-TOTALS"),
    Variant(ForgetsChange, "board", "audit-after-sales", "AUD-TOTALS"),
    Variant(ForgetsCards, "board", "audit-after-sales", "AUD-SOLD"),
    *(
        Variant(board, "board", name)
        for board in (SmallBlocks, Leisurely, SaysAgain, NoTextCheck, Pauses)
        for name in ("audit-quiet", "audit-nak", "audit-wrong-ack", "audit-ack-lost", "audit-pulled", "audit-silent")
    ),
)
