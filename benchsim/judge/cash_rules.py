"""Tubes, payouts, the return lever, the stacker, credit for bills. Source: MDB/ICP 4.3 §5, §6."""

from benchsim.judge.books import UNKNOWN_FUNDS, NewEvents
from benchsim.judge.device_rules import RECYCLED, STACKED, TO_TUBE, delivered, resets
from benchsim.judge.registry import rule

BILLS = 2  # source of CREDIT, kit link reference
PAYOUTS = ("DISPENSE", "PAYOUT")
TOKEN = 0xFF  # credit of a coin type without a value
VENDING, SERVICE = 4, 6  # states in the answer to POLL, kit link reference
RECYCLES = 0b10  # feature bit of a validator: bills can go elsewhere than to the stacker


class Tubes:
    """What the controller knows of a changer's tubes. `counts` is None where it is not known.

    TUBE STATUS may show coins whose deposit is still to be told: these are `untold` until the next POLL that is
    answered ACK. `judged(x, ok, text)` hears of every count that could be foretold.
    """

    def __init__(self, judged=None):
        self.credits: list[int] | None = None
        self._judged = judged or (lambda x, ok, text: None)
        self.forget("changer")
        self._fresh = False

    def forget(self, seat: str) -> None:
        """After a reset the counts must be asked for again."""
        if seat == "changer":
            self.counts: list[int] | None = None
            self.busy = False  # as the changer told
            self._paying = False  # a payout was asked for, and no POLL has shown yet that it is over
            self._perhaps = False  # what was told last may have been heard, or not
            self._untold: dict[int, int] = {}  # coin type -> coins more than were told, or fewer
            self._fresh = True  # since the reset no coin can have come
            self._new = False  # the counts were not known before: they may show coins that are still to be told

    @property
    def under_way(self) -> bool:
        """Was a payout asked for, or told of, and no POLL has shown yet that it is over?"""
        return self.busy or self._paying

    def count(self, coin: int) -> int | None:
        """Coins of a type; None: not known."""
        return None if self.counts is None or self._perhaps else self.counts[coin]

    def worth(self) -> int | None:
        """All coins, in units of scaling; None: not known."""
        if self.counts is None or self.credits is None or self._perhaps:
            return None
        return sum(n * credit for n, credit in zip(self.counts, self.credits, strict=True) if credit < TOKEN)

    def command(self, x) -> None:
        """An exchange is over: a payout that may have begun takes from the tubes."""
        if x.seat == "changer" and x.name == "RESET":
            self.forget(x.seat)
        if x.seat == "changer" and x.name == "COIN TYPE" and x.message.fields["accept"]:
            self._fresh = False
        if x.seat == "changer" and x.answer and x.answer.intact:
            self._perhaps = x.offered  # told, and perhaps heard: it will be told again
        if x.seat != "changer" or x.name not in PAYOUTS or (x.answer and x.kind == "nak"):
            return
        self._paying = True
        known = x.name == "DISPENSE" and x.answer is not None and self.counts
        if known and self.counts[x.message.fields["coin"]] >= x.message.fields["count"]:
            self.counts[x.message.fields["coin"]] -= x.message.fields["count"]
        else:
            self.counts = None  # which coins, or whether any, only the changer knows

    def told(self, x) -> None:
        """An answer that was acknowledged."""
        if x.seat != "changer" or not delivered(x):
            return
        if x.name == "POLL":
            self.busy = self._paying = any(message.name == "PAYOUT BUSY" for message in x.messages)
        for message in x.messages:
            fields = message.fields
            if message.name == "TUBE STATUS" and not self._paying:
                self._status(x, list(fields["counts"]))
            elif message.name == "SETUP":
                self.credits = fields["credits"]
            elif message.name == "COIN DEPOSITED" and fields["route"] == TO_TUBE:
                self._event(x, fields["coin"], fields["tube"], 1)
            elif message.name == "COIN DISPENSED BY HAND":
                self._event(x, fields["coin"], fields["tube"], -fields["count"])
            elif message.name in ("JUST RESET", "TUBE JAM"):
                self.counts, self._fresh = None, message.name == "JUST RESET"

    def quiet(self, x) -> None:
        """ACK to a POLL: not busy, and nothing is left to be told."""
        if x.seat == "changer" and x.name == "POLL" and x.kind == "ack":
            self.busy = self._paying = False
            for coin, more in sorted(self._untold.items()):
                text = f"type {coin}: {abs(more)} {'more' if more > 0 else 'fewer'} in the tube than was told"
                self._judged(x, False, text)
            self._untold.clear()
            self._new = False

    def _status(self, x, counts: list[int]) -> None:
        if self.counts is not None:
            for coin, (before, now) in enumerate(zip(self.counts, counts, strict=True)):
                more = now - before + self._untold.pop(coin, 0)
                if more:
                    self._untold[coin] = more
                else:
                    self._judged(x, True, "")
        else:
            self._new = not self._fresh
        self.counts = counts

    def _event(self, x, coin: int, told: int, step: int) -> None:
        if self.counts is None:
            return
        seen = self._untold.pop(coin, 0)
        if self._new:
            self.counts[coin] = told
        elif self._paying:
            self.counts[coin] += step
        elif seen and (seen > 0) == (step > 0):
            here, there = sorted((self.counts[coin] - seen + step, self.counts[coin]))
            ok = here <= told <= there
            self._judged(x, ok, "" if ok else f"{told} in the tube, expected {here} to {there}")
            if seen != step:
                self._untold[coin] = seen - step
        else:
            expected = self.counts[coin] + step
            self._judged(x, expected == told, "" if expected == told else f"{told} in the tube, expected {expected}")
            self.counts[coin] = told

    def calls(self, judge) -> dict:
        """What to hear, for a rule."""
        return {"bus.done.changer": self.command, "bus.reply": self.told,
                "bus.answer.changer": lambda x, h: self.quiet(x)} | resets(judge, self.forget)  # fmt: skip


@rule("CHG-COUNT", judged="changer", link="bus", source="MDB/ICP 4.3 §5", advice=True)
def counts_move(tally, judge):
    """Tube counts move with deposits and payouts (level sensors may jump)."""
    return Tubes(lambda x, ok, text: tally.check(x.seat, ok, x.answer, text)).calls(judge)


@rule("CHG-PAYOUT", judged="controller", link="bus", source="MDB/ICP 4.3 §5")
def payout_within_tubes(tally, judge):
    """While selling, no DISPENSE or payout goes beyond the known tube count, whatever the changer answers, and none
    is asked while one is under way (with the door open a person may empty the tubes)."""
    tubes = Tubes()
    service = [False]  # as the kit link tells it

    def kit_answer(x, heard):
        if x.name == "POLL" and x.ok:
            service[0] = heard.message.fields["state"] == SERVICE

    def command(x):
        if x.seat != "changer" or x.name not in PAYOUTS or x.repeat or service[0]:
            return
        there = tubes.worth() if x.name == "PAYOUT" else tubes.count(x.message.fields["coin"])
        asked = x.message.fields["value" if x.name == "PAYOUT" else "count"]
        if tubes.under_way:
            tally.check(x.command.seat, False, x.command, "the changer may still be paying out")
        elif there is not None:
            what = "units" if x.name == "PAYOUT" else f"of type {x.message.fields['coin']}"
            tally.check(x.command.seat, asked <= there, x.command, f"{asked} {what}, {there} in the tubes")

    return {"kit.answer": kit_answer, "bus.command.changer": command} | tubes.calls(judge)


@rule("CHG-RETURN", judged="controller", link="bus", limit="changer.return_lever",
      unseen="the return lever was not pressed, or the credit is not known here")  # fmt: skip
def lever_answered(tally, judge):
    """A press of the return lever is answered by a payout of the unspent credit, where the tubes hold anything."""
    limit = judge.book.devices["changer"].limits["return_lever"].high
    out = judge.links["bus"].out
    tubes = Tubes()
    board = {"credit": 0, "state": None}  # as the kit link told last
    cards = set()  # readers with a card in; never iterated
    since = []  # the answer that told of the lever

    def kit_answer(x, heard):
        if x.name == "POLL" and x.ok:
            board.update(credit=heard.message.fields["credit"], state=heard.message.fields["state"])

    def told(x):
        tubes.told(x)
        if not delivered(x):
            return
        for message in x.messages:
            if message.name == "ESCROW REQUEST":
                pressed(x)
            elif message.name == "BEGIN SESSION":
                cards.add(x.seat)
            elif message.name in ("END SESSION", "JUST RESET"):
                cards.discard(x.seat)

    def pressed(x):
        unspent = 0 < board["credit"] < UNKNOWN_FUNDS and board["state"] != VENDING and not cards
        if unspent and not since and not tubes.under_way and tubes.worth() != 0:
            since.append(x.answer)
            judge.at(x.answer.end + limit + judge.doubt("bus", x.answer.end, x.answer.end + limit), overdue, x.answer)

    def overdue(answer):
        if answer in since:
            since.clear()
            tally.check(out, False, answer, "no payout follows")

    def command(x):
        if since and x.seat == "changer" and x.name in PAYOUTS:
            tally.measure(out, x.command.start - since.pop().end, x.command)

    def forget(seat):
        tubes.forget(seat)
        cards.discard(seat)
        if seat == "changer":
            since.clear()

    calls = {"kit.answer": kit_answer, "bus.command.changer": command, "open": lambda: bool(since)} | tubes.calls(judge)
    return calls | {"bus.reply": told} | resets(judge, forget)


@rule("BIL-FULL", judged="controller", link="bus", limit="validator.full")
def full_stacker(tally, judge):
    """With a full stacker no bill type that can only go there is or stays enabled."""
    limit = judge.book.devices["validator"].limits["full"].high
    out = judge.links["bus"].out
    at = {"enabled": 0, "full": False}  # as told last
    since = []  # from when: the answer that told of the full stacker, or the enabling after it

    def watch(x, where):
        recycles = x.known.enabled is not None and x.known.enabled & RECYCLES
        if at["full"] and at["enabled"] and not since and not recycles:
            since.append(where)
            judge.at(where.end + limit + judge.doubt("bus", where.end, where.end + limit), overdue, where)

    def told(x):
        if x.seat != "validator" or not delivered(x):
            return
        for message in x.messages:
            if message.name == "STACKER":
                at["full"] = bool(message.fields["full"])
            elif message.name == "JUST RESET":
                forget(x.seat)
        if not at["full"]:
            since.clear()
        watch(x, x.answer)

    def overdue(where):
        if where in since:
            since.clear()
            tally.check(out, False, where, "bill types stay enabled")

    def command(x):
        if x.seat != "validator" or x.name != "BILL TYPE":
            return
        at["enabled"] = x.message.fields["enable"]
        if since and not at["enabled"]:
            tally.measure(out, x.command.start - since.pop().end, x.command)
        watch(x, x.command)

    def forget(seat):
        if seat == "validator":
            since.clear()
            at.update(enabled=0, full=False)

    return {"bus.reply": told, "bus.command.BILL TYPE": command, "open": lambda: bool(since)} | resets(judge, forget)


@rule("BIL-CREDIT", judged="controller", link="bus", source="MDB/ICP 4.3 §6",
      unseen="no credit for a bill was told on the kit link, or it is not heard here")  # fmt: skip
def bill_credit(tally, judge):
    """There is credit (as the kit link tells it) only for a bill that was stacked or went to the recycler.

    The controller credits what reached it; that its ACK was lost it cannot know.
    """
    events = NewEvents()
    known = []  # the validator was set up here, so no earlier bill is in doubt
    bills = [0]  # taken, and not credited yet

    def told(x):
        if x.seat != "validator" or x.kind != "answer" or not x.answer.intact or x.unfit:
            return
        if x.reply.intact and x.reply.data[0] != judge.book.bus.ack:
            return  # it did not want it
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

    return {"bus.reply": told, "kit.answer": kit_answer, "handed over": events.skip}


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

    return {"bus.command.cashless": command, "bus.answer.cashless": answer}
