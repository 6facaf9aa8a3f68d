"""Tubes, payouts, the return lever, the stacker, credit for bills. Source: MDB/ICP 4.3 §5, §6."""

from benchsim.judge.core import rule
from benchsim.judge.device_rules import RECYCLED, STACKED, TO_TUBE, delivered, resets
from benchsim.judge.money_rules import UNKNOWN_FUNDS, NewEvents

BILLS = 2  # source of CREDIT, kit link reference
PAYOUTS = ("DISPENSE", "PAYOUT")


class Tubes:
    """What the controller knows of a changer's tubes. `counts` is None where it is not known."""

    def __init__(self, before=None):
        self.counts: list[int] | None = None
        self.credits: list[int] | None = None
        self.busy = False
        self._before = before or (lambda x, coin, told: None)

    def forget(self, seat: str) -> None:
        """After a reset the counts must be asked for again."""
        if seat == "changer":
            self.counts, self.busy = None, False

    def command(self, x) -> None:
        """An exchange is over: a payout that may have begun takes from the tubes."""
        if x.seat != "changer" or x.name not in PAYOUTS or (x.answer and x.kind == "nak"):
            return
        if x.name == "PAYOUT" or x.answer is None:
            self.counts = None  # which coins, or whether any, only the changer knows
        elif self.counts:
            coin = x.message.fields["coin"]
            self.counts[coin] = max(0, self.counts[coin] - x.message.fields["count"])

    def told(self, x) -> None:
        """An answer that was acknowledged."""
        if x.seat != "changer" or not delivered(x):
            return
        if x.name == "POLL":
            self.busy = any(message.name == "PAYOUT BUSY" for message in x.messages)
        for message in x.messages:
            fields = message.fields
            if message.name == "TUBE STATUS":
                for coin, count in enumerate(fields["counts"]):
                    self._count(x, coin, count, 0)
                self.counts = list(fields["counts"])
            elif message.name == "SETUP":
                self.credits = fields["credits"]
            elif message.name == "COIN DEPOSITED" and fields["route"] == TO_TUBE:
                self._count(x, fields["coin"], fields["tube"], 1)
            elif message.name == "COIN DISPENSED BY HAND":
                self._count(x, fields["coin"], fields["tube"], -fields["count"])

    def quiet(self, x) -> None:
        """ACK to a POLL: not busy."""
        if x.seat == "changer" and x.name == "POLL" and x.kind == "ack":
            self.busy = False

    def _count(self, x, coin: int, told: int, step: int) -> None:
        if self.counts is not None:
            self._before(x, self.counts[coin] + step, told)
            self.counts[coin] = told

    def calls(self, judge) -> dict:
        """What to hear, for a rule."""
        return {"bus.done": self.command, "bus.reply": self.told,
                "bus.answer": lambda x, h: self.quiet(x)} | resets(judge, self.forget)  # fmt: skip


@rule("CHG-COUNT", judged="changer", link="bus", source="MDB/ICP 4.3 §5", advice=True)
def counts_move(tally, judge):
    """Tube counts move with deposits and payouts (level sensors may jump)."""

    def before(x, expected, told):
        if not tubes.busy:
            ok = expected == told
            tally.check(x.seat, ok, x.answer, "" if ok else f"{told} in the tube, expected {expected}")

    tubes = Tubes(before)
    return tubes.calls(judge)


@rule("CHG-PAYOUT", judged="controller", link="bus", source="MDB/ICP 4.3 §5")
def payout_within_tubes(tally, judge):
    """No DISPENSE or payout goes beyond the known tube count, and none is asked while one is under way."""
    tubes = Tubes()

    def command(x):
        if x.seat != "changer" or x.name not in PAYOUTS or x.repeat:
            return
        if tubes.busy:
            tally.check(x.command.seat, False, x.command, "the changer is busy paying out")
        elif tubes.counts is not None and x.name == "DISPENSE":
            coin, count = x.message.fields["coin"], x.message.fields["count"]
            there = tubes.counts[coin]
            tally.check(x.command.seat, count <= there, x.command, f"{count} of type {coin}, {there} in the tube")
        elif tubes.counts is not None and tubes.credits:
            there = sum(n * credit for n, credit in zip(tubes.counts, tubes.credits, strict=True) if credit < 0xFF)
            value = x.message.fields["value"]
            tally.check(x.command.seat, value <= there, x.command, f"{value} units, {there} in the tubes")

    return {"bus.command": command} | tubes.calls(judge)


@rule("CHG-RETURN", judged="controller", link="bus", limit="changer.return_lever",
      unseen="the return lever was not pressed, or the credit is not known here")  # fmt: skip
def lever_answered(tally, judge):
    """A press of the return lever is answered by a payout of the unspent credit."""
    limit = judge.book.devices["changer"].limits["return_lever"].high
    credit = [0]
    cards = set()  # readers with a card in; never iterated
    since = []  # the answer that told of the lever

    def kit_answer(x, heard):
        if x.name == "POLL" and x.ok:
            credit[0] = heard.message.fields["credit"]

    def told(x):
        if not delivered(x):
            return
        pressed = any(message.name == "ESCROW REQUEST" for message in x.messages)
        if pressed and not since and 0 < credit[0] < UNKNOWN_FUNDS and not cards:
            since.append(x.answer)
            judge.at(x.answer.end + limit + judge.links["bus"].uncertainty, overdue, x.answer)
        for message in x.messages:
            if message.name == "BEGIN SESSION":
                cards.add(x.seat)
            elif message.name == "END SESSION":
                cards.discard(x.seat)

    def overdue(answer):
        if answer in since:
            since.clear()
            tally.check(judge.links["bus"].out, False, answer, "no payout follows")

    def command(x):
        if since and x.seat == "changer" and x.name in PAYOUTS:
            tally.measure(x.command.seat, x.command.start - since.pop().end, x.command)

    return {"kit.answer": kit_answer, "bus.reply": told, "bus.command": command} | resets(
        judge, lambda seat: since.clear()
    )


@rule("BIL-FULL", judged="controller", link="bus", limit="validator.full")
def full_stacker(tally, judge):
    """With a full stacker no bill type that can only go there stays enabled."""
    limit = judge.book.devices["validator"].limits["full"].high
    enabled = [0]
    since = []  # the answer that told of the full stacker

    def told(x):
        if x.seat != "validator" or not delivered(x) or x.name != "STACKER":
            return
        if not x.messages[0].fields["full"]:
            since.clear()
        elif enabled[0] and not since:
            since.append(x.answer)
            judge.at(x.answer.end + limit + judge.links["bus"].uncertainty, overdue, x.answer)

    def overdue(answer):
        if answer in since:
            since.clear()
            tally.check(judge.links["bus"].out, False, answer, "bill types stay enabled")

    def command(x):
        if x.seat == "validator" and x.name == "BILL TYPE":
            enabled[0] = x.message.fields["enable"]
            if since and not enabled[0]:
                tally.measure(x.command.seat, x.command.start - since.pop().end, x.command)

    def forget(seat):
        since.clear()
        enabled[0] = 0

    return {"bus.reply": told, "bus.command": command} | resets(judge, forget)


@rule("BIL-CREDIT", judged="controller", link="bus", source="MDB/ICP 4.3 §6",
      unseen="no credit for a bill was told on the kit link, or it is not heard here")  # fmt: skip
def bill_credit(tally, judge):
    """There is credit (as the kit link tells it) only for a bill that was stacked or went to the recycler."""
    events = NewEvents()
    known = []  # the validator was set up here, so no earlier bill is in doubt
    bills = [0]  # taken, and not credited yet

    def told(x):
        if x.seat != "validator" or not delivered(x):
            return
        for message in x.messages:
            if message.name == "SETUP":
                known[:] = [True]
            elif message.name == "BILL" and message.fields["route"] in (STACKED, RECYCLED):
                bills[0] += 1

    def kit_answer(x, heard):
        if x.name != "POLL" or not x.ok:
            return
        for event in events.of(heard):
            if event.name == "CREDIT" and event.fields["source"] == BILLS and event.fields["amount"] and known:
                tally.check(judge.links["bus"].out, bills[0] > 0, heard, "" if bills[0] else "no bill was stacked")
                bills[0] = max(0, bills[0] - 1)

    return {"bus.reply": told, "kit.answer": kit_answer}


@rule("CSH-MONEY-WIDTH", judged="controller reader", link="bus", source="MDB/ICP 4.3 §7")
def money_width(tally, judge):
    """Amounts have 16 or 32 bits as the enabled features say."""

    def fits(parse, mode) -> bool:
        try:
            parse(mode)
        except ValueError:
            return False
        return True

    def ours(x) -> bool:
        known = x.known
        return bool(known and known.device and known.device.name == "cashless" and known.enabled is not None)

    def judged(x, h, seat, parse):
        """Where only one width fits: is it the one in force?"""
        mode = x.known.modes()[0]
        now, other = fits(parse, mode), fits(parse, mode._replace(wide=not mode.wide))
        if now != other:
            tally.check(seat, now, h, "" if now else f"{16 if mode.wide else 32}-bit amounts")

    def command(x):
        h = x.command
        if ours(x) and not set(h.broken) - {"length", "gap"}:
            judged(x, h, h.seat, lambda mode: x.known.device.parse_command(h.block.body, mode))

    def answer(x, h):
        if ours(x) and x.message and h.intact and x.kind == "answer":
            judged(x, h, h.seat, lambda mode: x.known.device.parse_answer(x.name, h.block.body, mode))

    return {"bus.command": command, "bus.answer": answer}
