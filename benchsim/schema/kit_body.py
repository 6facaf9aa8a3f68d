"""What a body begins with: the `[body]` of a link's protocol file.

    least, most      bytes of a body
    request, answer  the bytes in front: code and seq, in an answer also status, in any order; others may stand among
                     them that are always the same ("to u1 5..5"). "seq u1 0..15": it counts up to 15
    answer_bit       the bit of the code that tells an answer, 0 for none
    event            order of the three bytes in front of an event
    integers         "big" or "little"
"""

from typing import NamedTuple

from benchsim.errors import UsageError
from benchsim.schema.fields import Layout
from benchsim.schema.kit_framing import Counted, Flags
from benchsim.schema.word import only

REQUEST, ANSWER = ("code", "seq"), ("code", "seq", "status")
EVENT = ("number", "code", "length")


class Head(NamedTuple):
    """The bytes in front: where each stands. `fixed`: those that are always the same, as (place, value)."""

    size: int
    code: int
    seq: int
    status: int  # -1 in a request
    fixed: tuple[tuple[int, int], ...]

    def of(self, code: int, seq: int, status: int = 0) -> bytes:
        """Their values."""
        head = bytearray(self.size)
        if self.status >= 0:
            head[self.status] = status
        head[self.code], head[self.seq] = code, seq
        for at, value in self.fixed:
            head[at] = value
        return bytes(head)


class Body(NamedTuple):
    """All that `[body]` says."""

    least: int
    most: int
    order: str
    answer_bit: int
    seqs: int  # `seq` counts modulo this
    request: Head
    answer: Head
    event_order: tuple[int, int, int]  # where number, code and length stand
    report: Layout | None


def parse_body(body: dict, place: str, framing: Flags | Counted) -> Body:
    """Read `[body]`."""
    only(body, place, {"least", "most"}, {"answer_bit", "integers", "report", "request", "answer", "event"})
    least, most = body["least"], body["most"]
    if type(least) is not int or type(most) is not int or not 1 <= least <= most:
        raise UsageError(f"{place}: expected least and most bytes of a body, not {least!r} and {most!r}")
    if isinstance(framing, Counted) and most + framing.extra >= 256**framing.size:
        raise UsageError(f"{place}.most: {most} bytes are more than the frame's length can tell")
    order, answer_bit = body.get("integers", "big"), body.get("answer_bit", 0x80)
    if order not in ("big", "little"):
        raise UsageError(f'{place}.integers: expected "big" or "little", not {order!r}')
    if type(answer_bit) is not int or not 0 <= answer_bit <= 0x80 or answer_bit.bit_count() > 1:
        raise UsageError(f"{place}.answer_bit: expected one bit of the code, or 0 for none, not {answer_bit!r}")
    given = {key: body.get(key, [f"{name} u1" for name in usual]) for key, usual in _USUAL.items()}
    heads = [_head(given[key], f"{place}.{key}", _USUAL[key]) for key in ("request", "answer")]
    for head in heads:
        if max(head.code, head.seq) >= least:
            raise UsageError(f"{place}: a body of {least} bytes (least) has no room for code and seq")
    seqs = {_seqs(given[key], f"{place}.{key}") for key in ("request", "answer")}
    if len(seqs) != 1:
        raise UsageError(f"{place}: seq: expected the same range in request and answer")
    parts = list(_bytes(given["event"], f"{place}.event"))
    if sorted(parts) != sorted(EVENT):
        raise UsageError(f"{place}.event: expected number u1, code u1 and length u1, in any order")
    report = Layout(body["report"], f"{place}.report") if "report" in body else None
    order_of_event = tuple(parts.index(part) for part in EVENT)
    return Body(least, most, order, answer_bit, seqs.pop(), *heads, order_of_event, report)


_USUAL = {"request": REQUEST, "answer": ANSWER, "event": EVENT}


def _bytes(lines: list, place: str) -> dict[str, int | None]:
    """Fields of one byte each, with the value of those that have but one."""
    fields = Layout(lines, place).fields
    for field in fields:
        if field.type != "u" or field.size != 1 or field.count is not None or field.rest:
            raise UsageError(f"{place}: {field.name}: expected fields of one byte here, such as {field.name} u1")
    return {f.name: next(iter(f.legal)) if f.legal is not None and len(f.legal) == 1 else None for f in fields}


def _head(lines: list, place: str, needs: tuple[str, ...]) -> Head:
    parts = _bytes(lines, place)
    for name in needs:
        if name not in parts:
            raise UsageError(f"{place}: the field {name} u1 is missing")
    for name, value in parts.items():
        if name not in needs and value is None:
            raise UsageError(f"{place}: expected {', '.join(needs)}, and bytes that are always the same, such as {name} u1 5..5")
    at = {name: i for i, name in enumerate(parts)}
    fixed = tuple((at[name], value) for name, value in parts.items() if name not in needs)
    return Head(len(parts), at["code"], at["seq"], at.get("status", -1), fixed)


def _seqs(lines: list, place: str) -> int:
    legal = next(f.legal for f in Layout(lines, place).fields if f.name == "seq")
    if legal is None:
        return 256
    if sorted(legal) != list(range(len(legal))) or len(legal) < 4:
        raise UsageError(f'{place}: seq: expected a range from 0 to at least 3, such as "seq u1 0..15"')
    return len(legal)
