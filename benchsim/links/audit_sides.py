"""The two sides of the audit link, without I/O: items and times in, bytes and timers out.

A transmission is what one side has to say in one go:

    sender                receiver
    ENQ            ─►
                   ◄─     ACK0
    block          ─►                      the first block gets ACK1, then ACK0, ACK1 …
                   ◄─     ACK1
    EOT            ─►

Blocks carry no number, only their answers do. So a sender whose answer did not come, or came with the wrong
number, asks for it again with ENQ; only the answer before tells it that its block was lost. A sender that says its
block again instead (its answer was damaged) doubles it for whoever counts answers alone: this receiver takes a block
that equals the one before for that one, so two equal blocks in a row would lose one. Two damages that turn ACK0 into
ACK1 and hide the repeat as well cannot be found here; the text's own count and check (SE, G85) tell.

A session is three transmissions: reader's request, board's response, board's data.

    reader  request ─► … response ◄─ … data ◄─

`Talk` drives either role: whoever owns it looks at `deadline` after each call and calls `due` then.
Source: EVA DTS 6.1, DEX/UCS link layer, from memory; asking again with ENQ: ISO 1745 (common practice).
"""

from collections.abc import Callable

from benchsim.events import TICKS_PER_MS, Burst, ticks
from benchsim.links.audit_blocks import DATA, HEAD, Item, ItemReader, code, cut_up, wrap
from benchsim.schema.audit import AuditSpec
from benchsim.schema.fields import Misfit

Say = Callable[[bytes, int], int]  # wire bytes, earliest tick -> end of the last byte
TURN = 10 * TICKS_PER_MS  # from hearing something to answering it
PAUSE = 100 * TICKS_PER_MS  # before what was refused or told to wait is tried again
LOST_EOT = ticks(1.5)  # silence after the last block that stands for its EOT
ACKS = ("ACK0", "ACK1")


class Sender:
    """Sends one transmission. `done(why, now)`: why is "" when all was acknowledged."""

    def __init__(self, spec: AuditSpec, say: Say, blocks: list[bytes], done: Callable[[str, int], None], now: int):
        self.spec, self._say, self._blocks, self._done = spec, say, blocks, done
        self._at = -1  # block under way; -1: the bid
        self._tries = self._waits = 0
        self._asked = False  # ENQ went out to have the last answer again
        self._hurry: int | None = None  # when to try again before the answer's time is over
        self._bid(now + TURN)

    @property
    def deadline(self) -> int:
        """When to call `due`."""
        return self._hurry if self._hurry is not None else self._timeout

    def due(self, now: int) -> None:
        """Nothing came in time, or a pause is over."""
        again, self._hurry = self._hurry is not None, None
        if self._tries >= self.spec.limits["tries"].high:
            self._give_up("no good answer after five tries", now)
        elif self._at < 0:
            self._bid(now)
        elif again:
            self._block(now)
        else:
            self._ask(now)

    def hear(self, item: Item) -> None:
        """What the receiver said."""
        now, wanted = item.end, ACKS[(self._at + 1) % 2]
        if item.name == wanted and not item.broken:
            self._next(now)
        elif item.name == "WAIT":
            self._told_to_wait(now)
        elif item.name == "NAK":
            self._hurry = now + (PAUSE if self._at < 0 else TURN)
        elif item.name in ACKS and self._at >= 0:
            if self._asked:  # the answer to the block before, twice: this block never arrived
                self._hurry = now + TURN
            else:
                self._ask(now + TURN)
        elif item.name in ACKS:  # the receiver is still in the transmission before
            self._say(code(self.spec, "EOT"), now + TURN)
            self._hurry = now + PAUSE
        elif item.name == "EOT":
            self._done("the other side ended it", now)

    def _next(self, now: int) -> None:
        self._at += 1
        self._tries = self._waits = 0
        self._hurry = None
        if self._at < len(self._blocks):
            self._block(now + TURN)
        else:
            self._done("", self._say(code(self.spec, "EOT"), now + TURN))

    def _told_to_wait(self, now: int) -> None:
        self._waits += 1
        if self._waits > self.spec.limits["waits"].high:
            self._give_up("told to wait too often", now)
        else:
            self._tries, self._timeout = 0, now + PAUSE  # then the answer is asked for

    def _bid(self, at: int) -> None:
        self._send(code(self.spec, "ENQ"), at)

    def _ask(self, at: int) -> None:
        self._send(code(self.spec, "ENQ"), at)
        self._asked = True

    def _block(self, at: int) -> None:
        self._send(self._blocks[self._at], at)

    def _send(self, wire: bytes, at: int) -> None:
        self._tries += 1
        self._asked, self._hurry = False, None
        self._timeout = self._say(wire, at) + self.spec.limits["answer"].high

    def _give_up(self, why: str, now: int) -> None:
        self._done(why, self._say(code(self.spec, "EOT"), now))


class Receiver:
    """Takes one transmission. `done(blocks, why, now)`: the good blocks, why is "" when all came."""

    def __init__(self, spec: AuditSpec, say: Say, done: Callable[[list[Item], str, int], None], now: int):
        self.spec, self._say, self._done = spec, say, done
        self.blocks: list[Item] = []
        self._bid = False  # ENQ was heard
        self._heard = now

    @property
    def whole(self) -> bool:
        """Did the last block arrive?"""
        return bool(self.blocks) and self.blocks[-1].last

    @property
    def deadline(self) -> int:
        """When silence ends it."""
        return self._heard + (LOST_EOT if self.whole else self.spec.limits["silence"].high)

    def heard(self, now: int) -> None:
        """The sender is there, or was just answered."""
        self._heard = max(now, self._heard)

    def due(self, now: int) -> None:
        """Silence: after the last block it stands for EOT."""
        self._done(self.blocks, "" if self.whole else "the other side fell silent", now)

    def hear(self, item: Item) -> None:
        """What the sender said."""
        self.heard(item.end)
        if item.name == "ENQ":
            self._bid = True
            self._answer(ACKS[len(self.blocks) % 2], item)
        elif item.name == "EOT":
            if self.blocks:
                self._done(self.blocks, "" if self.whole else "it was ended before its last block", item.end)
            self._bid = False  # the bid was withdrawn: another may come
        elif item.is_block and self._bid:
            self._take(item)

    def _take(self, item: Item) -> None:
        if item.broken:
            self._answer("NAK", item)
            return
        if not self.whole and not self._again(item):
            self.blocks.append(item)
        self._answer(ACKS[len(self.blocks) % 2], item)

    def _again(self, item: Item) -> bool:
        """The block before once more? (More than the last block is always that.)"""
        return bool(self.blocks) and self.blocks[-1].raw == item.raw

    def _answer(self, name: str, item: Item) -> None:
        self.heard(self._say(code(self.spec, name), item.end + TURN))


class Talk:
    """One side of the link: the reader's or the board's. One with other habits: another `SENDER` or `RECEIVER`."""

    SENDER, RECEIVER = Sender, Receiver

    def __init__(self, spec: AuditSpec, say: Say):
        self.spec, self._speak = spec, say
        self._quiet_at = 0  # end of what this side said last
        self.reader = ItemReader(spec)
        self.part: Sender | Receiver | None = None

    @property
    def deadline(self) -> int | None:
        """When to call `due`; an item under way is awaited to its end."""
        if self.reader.begun is not None:
            return self.reader.deadline + 1
        return None if self.part is None else self.part.deadline

    def hear(self, burst: Burst) -> None:
        """Words of the other side."""
        self._told(self.reader.feed(burst))
        if isinstance(self.part, Receiver):
            self.part.heard(burst.end)

    def due(self, now: int) -> None:
        """The deadline has come."""
        self._told(self.reader.expire(now))
        if self.part and self.reader.begun is None and now >= self.part.deadline:
            self.part.due(now)

    def forget(self) -> None:
        """Power off, or the plug is out."""
        self.part, self.reader = None, ItemReader(self.spec)

    def send(self, blocks: list[bytes], done: Callable[[str, int], None], now: int) -> None:
        """Begin a transmission."""
        self.part = self.SENDER(self.spec, self._say, blocks, self._over(done), now)

    def receive(self, done: Callable[[list[Item], str, int], None], now: int) -> None:
        """Wait for a transmission."""
        self.part = self.RECEIVER(self.spec, self._say, self._over(done), now)

    def _over(self, done: Callable) -> Callable:
        def call(*args) -> None:
            self.part = None
            done(*args)

        return call

    def _told(self, items: list[Item]) -> None:
        for item in items:
            self.told(item)

    def told(self, item: Item) -> None:
        """One item, to who is at work. Half duplex: who talks hears nothing."""
        if self.part and item.start >= self._quiet_at:
            self.part.hear(item)

    def _say(self, wire: bytes, at: int) -> int:
        self._quiet_at = self._speak(wire, max(at, self._quiet_at))
        return self._quiet_at


class ReaderSide(Talk):
    """The audit reader: `read(done, now)`, then `done(text or None, why, now)` once. `id`: 10 characters."""

    def __init__(self, spec: AuditSpec, say: Say, id: str):
        super().__init__(spec, say)
        self._id = id

    def read(self, done: Callable[[bytes | None, str, int], None], now: int) -> None:
        """One session from ENQ to the board's last EOT."""
        self.reader, self._answer = ItemReader(self.spec), done
        request = wrap(self.spec, self.spec.build_request(id=self._id, operation="R"), last=True, head=True)
        self.send([request], self._asked, now)

    def _asked(self, why: str, now: int) -> None:
        if why:
            self._end(None, f"first handshake: {why}", now)
        else:
            self.receive(self._answered, now)

    def _answered(self, blocks: list[Item], why: str, now: int) -> None:
        why = why or self._refused(blocks)
        if why:
            self._end(None, f"second handshake: {why}", now)
        else:
            self.receive(self._came, now)

    def _refused(self, blocks: list[Item]) -> str:
        try:
            result = self.spec.parse_response(blocks[0].data)["result"] if blocks[0].name == HEAD else "no response"
        except Misfit as misfit:
            return str(misfit)
        return "" if result == self.spec.good else f"refused ({result})"

    def _came(self, blocks: list[Item], why: str, now: int) -> None:
        if not why and any(block.name != DATA for block in blocks):
            why = "a handshake block among the data"
        data = b"".join(block.data for block in blocks)
        self._end(None if why else data, f"data: {why}" if why else "", now)

    def _end(self, data: bytes | None, why: str, now: int) -> None:
        done, self._answer = self._answer, None
        done(data, why, now)


class BoardSide(Talk):
    """The machine's side: waits for a reader's ENQ. `totals(now)` makes the text; `done(why, now)` tells the end."""

    def __init__(self, spec: AuditSpec, say: Say, id: str, totals: Callable[[int], bytes],
                 done: Callable[[str, int], None] = lambda why, now: None):  # fmt: skip
        super().__init__(spec, say)
        self._id, self._totals, self._finished = id, totals, done

    def told(self, item: Item) -> None:
        """ENQ begins a session, also in the middle of the one before: the reader was pulled out."""
        if item.name == "ENQ" and item.start >= self._quiet_at and not isinstance(self.part, Receiver):
            self.receive(self._asked, item.end)
        super().told(item)

    def blocks(self, text: bytes) -> list[bytes]:
        """The text as it is sent."""
        pieces = cut_up(self.spec, text)
        return [wrap(self.spec, piece, last=n == len(pieces)) for n, piece in enumerate(pieces, 1)]

    def _asked(self, blocks: list[Item], why: str, now: int) -> None:
        if why:
            self._finished(f"first handshake: {why}", now)
            return
        try:
            wanted = self.spec.parse_request(blocks[0].data)["operation"] if blocks[0].name == HEAD else ""
        except Misfit:
            wanted = ""
        result = self.spec.good if wanted == "R" else self.spec.refused
        block = wrap(self.spec, self.spec.build_response(result=result, id=self._id), last=True, head=True)
        self.send([block], self._answered if wanted == "R" else self._turned_down, now)

    def _turned_down(self, why: str, now: int) -> None:
        self._finished(f"second handshake: {why or 'it was no reading that was asked for'}", now)

    def _answered(self, why: str, now: int) -> None:
        if why:
            self._finished(f"second handshake: {why}", now)
            return
        self.send(self.blocks(self._totals(now)), lambda why, now: self._finished(f"data: {why}" if why else "", now), now)
