"""A link on which one side asks and the other answers, or one side only reports: read from a protocol file.

From the file come framing, check, operations with their layouts, events, limits, and what each of them means
(`kit_meanings`, `kit_values`): whatever the link calls it, a parsed body speaks the bench's language. Parsing is
cached by the body's bytes: a link at rest says the same things over and over.
"""

from functools import lru_cache
from typing import NamedTuple

from benchsim.errors import UsageError
from benchsim.schema.check import Check, parse_check
from benchsim.schema.fields import Layout, Misfit
from benchsim.schema.kit_body import Body, Head, parse_body
from benchsim.schema.kit_framing import Counted, Flags, parse_framing
from benchsim.schema.kit_meanings import CODED, EVENTS, LIMITS, OPERATIONS, OTHER, Known, check_limits, meaning_of
from benchsim.schema.kit_values import NOT_FOR_SALE, Money, Told, Values
from benchsim.schema.limits import Limit
from benchsim.schema.word import WordFormat, only, parse_limits, parse_word


class Operation(NamedTuple):
    """One thing that the asking side can ask for. `name`: what it means; `called`: the link's own word."""

    code: int
    name: str
    called: str
    request: Layout | Told
    answer: Layout | Told

    @property
    def carries_events(self) -> bool:
        """Do the board's events come with its answer?"""
        return self.name == "POLL"


class EventSpec(NamedTuple):
    """One kind of event that an answer to POLL can carry."""

    code: int
    name: str
    called: str
    data: Layout | Told


class Event(NamedTuple):
    """An event as carried: `raw` is its data."""

    number: int
    code: int
    name: str
    fields: dict
    raw: bytes


class Request(NamedTuple):
    """A parsed request body."""

    op: int
    name: str
    seq: int
    fields: dict


class Answer(NamedTuple):
    """A parsed answer body; `fields` is empty unless `status` is 0."""

    op: int
    name: str
    seq: int
    status: int
    fields: dict


_BASE = {"kind", "title", "asks", "answers", "source", "word", "framing", "check", "body", "limits"}
_KIT = {"operation", "event", "status", "state"}
_MAY = {"codes", "money", "places"}


def _listed(table: dict, key: str, place: str) -> list:
    if not isinstance(table.get(key, []), list):
        raise UsageError(f"{place}: {key}: expected [[{key}]], one for each, not {table[key]!r}")
    return table.get(key, [])


class KitSpec:
    """One such link. Attributes are read-only; `name` is the link's on the bench."""

    def __init__(self, table: dict, place: str):
        self.place = place
        self.name = kind = table.get("kind")
        only(table, place, _BASE | (_KIT if kind == "kit" else set()), _MAY if kind == "kit" else set())
        for key in ("title", "source"):
            if not isinstance(table[key], str):
                raise UsageError(f"{place}: {key}: expected a text, not {table[key]!r}")
        self.title, self.source = table["title"], table["source"]
        self.asks, self.answers = "host", "panel" if kind == "panel" else "board"
        if (table["asks"], table["answers"]) != (self.asks, self.answers):
            raise UsageError(f'{place}: asks, answers: expected "{self.asks}" and "{self.answers}"')
        self.word: WordFormat = parse_word(table["word"], f"{place}: word")
        only(table["limits"], f"{place}: limits", set(LIMITS) if kind == "kit" else {"gap"}, None)
        self.limits: dict[str, Limit] = parse_limits(table["limits"], f"{place}: limits")
        if kind == "kit":
            check_limits(self.limits, f"{place}: limits")
        self.check: Check = parse_check(table["check"], f"{place}: check")
        self.framing: Flags | Counted = parse_framing(table["framing"], f"{place}: framing", self.check)
        self._shape(parse_body(table["body"], f"{place}: body", self.framing))
        self.values = Values(table, place, self.order)
        self.statuses, self.states = ({i: text for i, text in enumerate(CODED[key])} for key in ("status", "state"))
        self.operations: dict[int, Operation] = {}
        for i, one in enumerate(_listed(table, "operation", place)):
            self._add_operation(one, f"{place}: operation[{i}]")
        self.events: dict[int, EventSpec] = {}
        for i, one in enumerate(_listed(table, "event", place)):
            self._add_event(one, f"{place}: event[{i}]")
        self.by_name = {op.name: op for op in self.operations.values()}
        self.event_by_name = {e.name: e for e in self.events.values()}
        self.parse_request = lru_cache(4096)(self._parse_request)
        self.parse_answer = lru_cache(4096)(self._parse_answer)
        self.parse_report = lru_cache(4096)(self._parse_report)
        if kind == "kit":
            self._whole(place)

    # ---- the file

    def _shape(self, shape: Body) -> None:
        self.least, self.most, self.order, self.answer_bit = shape.least, shape.most, shape.order, shape.answer_bit
        self.seqs, self.report, self._event_order = shape.seqs, shape.report, shape.event_order
        self.request_head, self.answer_head = shape.request, shape.answer
        self._ask_at, self._answer_at = ((head.code, head.seq) for head in (shape.request, shape.answer))

    def _add_operation(self, one: dict, place: str) -> None:
        only(one, place, {"name", "code"}, {"means", "request", "answer"})
        name, code = meaning_of(one, OPERATIONS, place), one["code"]
        if type(code) is not int or not 0 <= code < (self.answer_bit or 0x100) or code in self.operations:
            shown = f"{code:#04x}" if type(code) is int else repr(code)
            raise UsageError(f"{place}.code: {shown} stands twice or does not fit")
        if any(one["name"] == op.called or name == op.name != OTHER for op in self.operations.values()):
            raise UsageError(f"{place}.name: {one['name']!r} stands twice" + f", or its meaning {name}" * ("means" in one))
        known = OPERATIONS.get(name, Known(None, None))
        request = self.values.layout(one.get("request", []), f"{place}.request", known.request, f"a request {name}")
        answer = self.values.layout(one.get("answer", []), f"{place}.answer", known.answer, f"an answer to {name}")
        for layout, head, what in ((request, self.request_head, "request"), (answer, self.answer_head, "answer")):
            if layout.least + head.size > self.most:
                raise UsageError(f"{place}.{what}: longer than a body of {self.most} bytes")
        if name == "POLL" and (answer.fields[-1].name != "queue" or answer.fields[-1].type != "hex"):
            raise UsageError(f'{place}.answer: "queue hex*", the events, stands last')
        self.operations[code] = Operation(code, name if name != OTHER else one["name"], one["name"], request, answer)

    def _add_event(self, one: dict, place: str) -> None:
        only(one, place, {"name", "code"}, {"means", "data"})
        name, code = meaning_of(one, EVENTS, place), one["code"]
        if type(code) is not int or not 0 <= code <= 0xFF:
            raise UsageError(f"{place}.code: expected 0x00 to 0xFF, not {code!r}")
        twice = any(one["name"] == e.called or name == e.name != OTHER for e in self.events.values())
        if code in self.events or twice:
            raise UsageError(f"{place}: code {code:#04x} or name {one['name']!r} stands twice")
        meaning = EVENTS[name][0] if name in EVENTS else None
        data = self.values.layout(one.get("data", []), f"{place}.data", meaning, f"an event {name}")
        self.events[code] = EventSpec(code, name if name != OTHER else one["name"], one["name"], data)

    def _whole(self, place: str) -> None:
        for key, known, have in (("operation", {name: op.needed for name, op in OPERATIONS.items()}, self.by_name),
                                 ("event", {name: needed for name, (_, needed) in EVENTS.items()}, self.event_by_name)):  # fmt: skip
            if lacking := [name for name, needed in known.items() if needed and name not in have]:
                raise UsageError(f"{place}: {key}: no link without {lacking[0]} (an {key} with means = \"{lacking[0]}\")")
        part = self.by_name["PRICE-PART"].request
        prices, n = (next(f for f in part.fields if f.name == name) for name in ("prices", "n"))
        self._price = Money(self.values.unit, prices.size, NOT_FOR_SALE)
        room = (self.most - self.request_head.size - part.least) // prices.size
        self.part = min(room, max(n.legal or (room,)))
        if self.part < 1:
            raise UsageError(f"{place}: body.most: {self.most} bytes have no room for one price")
        poll = self.by_name["POLL"].answer
        self.room_for_events = self.most - self.answer_head.size - poll.least
        if self.room_for_events < 3 + max(event.data.least for event in self.events.values()):
            raise UsageError(f"{place}: body.most: {self.most} bytes have no room for one event")

    def fits(self, rows: int, columns: int, prices: list[int]) -> None:
        """Can a machine be told on this link? Misfit where it cannot."""
        vend = self.by_name["VEND"].request
        for price in dict.fromkeys(prices):
            vend.build({"row": 0, "column": 0, "price": price})
        for row in range(rows):
            for column in range(columns):
                place = {"row": row, "column": column}
                told = vend.parse(vend.build(place | {"price": NOT_FOR_SALE}))
                if place != {key: told[key] for key in place}:
                    raise Misfit("range", f"row {row}, column {column} has no place of its own")
        for field in self.by_name["IDENT"].answer.fields:
            size = {"rows": rows, "columns": columns}.get(field.name, 0)
            if size and field.legal is not None and size not in field.legal:
                raise Misfit("range", f"{field.name} = {size}")
        self.by_name["PRICE-BEGIN"].request.build({"entries": rows * columns})

    def price_bytes(self, prices) -> bytes:
        """Prices as PRICE-PART carries them; the table's check is the link's own over all of them."""
        return b"".join(self._price.write(p, exactly=True).to_bytes(self._price.size, self.order) for p in prices)

    def table_check(self, prices) -> int:
        """The check over a whole price table, as PRICE-COMMIT carries it."""
        return self.check.of(self.price_bytes(prices))

    # ---- heads, without a look at the rest

    def asked(self, body: bytes) -> tuple[int, int]:
        """Code and seq of a request."""
        code_at, seq_at = self._ask_at
        return body[code_at], body[seq_at]

    def answered(self, body: bytes) -> tuple[int, int]:
        """Code and seq of the request that an answer answers."""
        code_at, seq_at = self._answer_at
        return body[code_at] ^ self.answer_bit, body[seq_at]

    def turned(self, body: bytes, out: bool) -> bool:
        """Is it a request of the side that answers, or the other way round?"""
        if not self.answer_bit:
            return False
        return bool(body[self._ask_at[0] if out else self._answer_at[0]] & self.answer_bit) == out

    def refusal(self, body: bytes) -> int | None:
        """The status of an answer that holds nothing else, as the bench knows it; None: it has none."""
        head = self.answer_head
        return self._status(body[head.status]) if len(body) == head.size else None

    def _status(self, code: int) -> int | None:
        codes = self.values.codes.get("status")
        status = codes.read.get(code) if codes else code
        return status if status in self.statuses else None

    def _headed(self, body: bytes, head: Head) -> None:
        if len(body) < head.size:
            raise Misfit("length", "an answer without a status" if head.status >= 0 else "a request that ends in its head")
        for at, value in head.fixed:
            if body[at] != value:
                raise Misfit("range", f"byte {at} = {body[at]:#04x}, expected {value:#04x}")
        if body[head.seq] >= self.seqs:
            raise Misfit("range", f"seq = {body[head.seq]}")

    # ---- requests and answers

    def _parse_request(self, body: bytes) -> Request:
        code, seq = self.asked(body)
        op = self.operations.get(code)
        if op is None:
            raise Misfit("unknown", f"no operation {code:#04x}")
        self._headed(body, self.request_head)
        return Request(op.code, op.name, seq, op.request.parse(body[self.request_head.size :]))

    def _parse_answer(self, body: bytes) -> Answer:
        code, seq = self.answered(body)
        op = self.operations.get(code)
        if op is None:
            raise Misfit("unknown", f"no operation behind kind {body[self.answer_head.code]:#04x}")
        head = self.answer_head
        self._headed(body, head)
        status = self._status(body[head.status])
        if status is None:
            raise Misfit("range", f"status = {body[head.status]}")
        if status:
            if len(body) > head.size:
                raise Misfit("length", "a status other than 0 stands alone")
            return Answer(op.code, op.name, seq, status, {})
        fields = op.answer.parse(body[head.size :])
        if op.carries_events:
            fields["events"] = self._parse_events(fields["count"], fields.pop("queue"))
        return Answer(op.code, op.name, seq, 0, fields)

    def _parse_events(self, count: int, data: bytes) -> list[Event]:
        events, at = [], 0
        which = self._event_order
        for _ in range(count):
            if at + 3 > len(data):
                raise Misfit("length", f"{count} events announced, the answer ends before")
            head = data[at : at + 3]
            number, code, length = head[which[0]], head[which[1]], head[which[2]]
            raw = data[at + 3 : at + 3 + length]
            if len(raw) != length:
                raise Misfit("length", "an event is cut")
            spec = self.events.get(code)
            if spec is None:
                raise Misfit("range", f"event code = {code:#04x}")
            events.append(Event(number, code, spec.name, spec.data.parse(raw), raw))
            at += 3 + length
        if at != len(data):
            raise Misfit("length", f"{len(data) - at} bytes behind the last event")
        return events

    def _parse_report(self, body: bytes) -> dict:
        return self.report.parse(body)

    def build_request(self, name: str, seq: int, **fields) -> bytes:
        """The body of a request; Misfit for values that do not fit."""
        op = self.by_name[name]
        return self.request_head.of(op.code, seq) + op.request.build(fields)

    def build_answer(self, name: str, seq: int, status: int = 0, **fields) -> bytes:
        """The body of an answer. POLL takes `events` as a list of `Event` or (number, code, raw)."""
        op = self.by_name[name]
        head = self.build_status(op.code, seq, status)
        if status:
            return head
        if op.carries_events:
            events = fields.pop("events")
            fields |= {"count": len(events), "queue": b"".join(self.pack_event(e) for e in events)}
        return head + op.answer.build(fields)

    def build_status(self, code: int, seq: int, status: int) -> bytes:
        """The head of an answer, which is the whole of one whose status is not ok. `code`: of the request."""
        codes = self.values.codes.get("status")
        return self.answer_head.of(code | self.answer_bit, seq, codes.write[status] if codes else status)

    def pack_event(self, event) -> bytes:
        """Its number, code and length, in the link's order, and its data."""
        number, code, raw = event[0], event[1], event[-1]
        head = bytearray(3)
        for at, value in zip(self._event_order, (number, code, len(raw)), strict=True):
            head[at] = value
        return bytes(head) + raw

    def build_report(self, **fields) -> bytes:
        """The body of a report of the side that speaks unasked."""
        return self.report.build(fields)

    # ---- for people

    def text(self, body: bytes, out: bool = True) -> str:
        """One line that a person can read, whatever the bytes are. `out`: the asking side said it (of weight only
        where no bit of the code tells an answer)."""
        try:
            if self.report is not None:
                return "report " + self._pairs(self.parse_report(body), self.report)
            if self._is_answer(body, out):
                a = self.parse_answer(body)
                op = self.operations[a.op]
                what = self.statuses[a.status] if a.status else self._pairs(a.fields, op.answer)
                return f"{op.called} answer seq {a.seq}: {what or 'ok'}"
            r = self.parse_request(body)
            op = self.operations[r.op]
            return f"{op.called} seq {r.seq}" + (f": {self._pairs(r.fields, op.request)}" if r.fields else "")
        except (Misfit, IndexError) as error:
            return f"{body.hex(' ')} ({error})"

    def _is_answer(self, body: bytes, out: bool) -> bool:
        if not self.answer_bit:
            return not out
        at = (self.request_head if out else self.answer_head).code
        return len(body) > at and bool(body[at] & self.answer_bit)

    def _pairs(self, fields: dict, layout: Layout | Told) -> str:
        parts = []
        for name, value in fields.items():
            if name == "events":
                parts += [self._event(one) for one in value]
            elif name not in layout.absent:
                parts.append(f"{name} {value}")
        return ", ".join(parts)

    def _event(self, event: Event) -> str:
        spec = self.events[event.code]
        return f"[{event.number} {spec.called} {self._pairs(event.fields, spec.data)}]".replace(" ]", "]")
