"""Links of somebody's own: their words become the bench's, and a broken file says where.

Bodies worked by hand from the two example files (`protocols/kit/counted.toml`, `fenced.toml`).
"""

import copy

import pytest
from hypothesis import given
from hypothesis import strategies as st

from benchsim.errors import UsageError
from benchsim.schema import Misfit, load_book, protocols_folder, read_toml
from benchsim.schema.kit import KitSpec

COUNTED, FENCED = load_book(kit="counted").kit, load_book(kit="fenced").kit
UNKNOWN_FUNDS, NOT_FOR_SALE = 0xFFFFFFFF, 0xFFFF

# counted: SEQ CODE …; money in steps of five; place 11 is row 0, column 0, ten more a row
# fenced: TO CODE SEQ …; integers low byte first; no bit tells an answer
REQUESTS = [
    (COUNTED, "00 48", "RESET", 0, {}),
    (COUNTED, "0f 53 19 17", "VEND", 15, {"row": 1, "column": 2, "price": 125}),
    (COUNTED, "01 53 ff 0b", "VEND", 1, {"row": 0, "column": 0, "price": NOT_FOR_SALE}),
    (COUNTED, "02 52 00 03 00 fe ff", "PRICE-PART", 2, {"first": 0, "n": 3, "prices": [0, 1270, NOT_FOR_SALE]}),
    (FENCED, "01 a0 ff", "RESET", 255, {}),
    (FENCED, "01 a5 07 02 05 01 7d 00 00 00", "VEND", 7, {"row": 5, "column": 2, "price": 125}),
    (FENCED, "01 b1 02 02 34 12 64 00 00 00 ff ff ff ff", "PRICE-PART", 2,
     {"first": 0x1234, "n": 2, "prices": [100, NOT_FOR_SALE]}),
]  # fmt: skip
ANSWERS = [
    (COUNTED, "03 d3 04", "VEND", 3, 7, {}),  # 4: not enough credit
    (COUNTED, "03 d3 02", "VEND", 3, 5, {}),  # 2: busy, or not in this state; read as the first
    (COUNTED, "00 d7 00 06 08" + " 30" * 12, "IDENT", 0, 0, {"rows": 6, "columns": 8, "serial": "0" * 12}),
    (FENCED, "80 a5 09 17", "VEND", 9, 7, {}),  # 23: not enough credit
    (FENCED, "80 c0 01 10 04 00 00 00 03 00 00 00 01 00 00 00 02 00 00 00", "COUNTERS", 1, 0,
     {"requests": 1, "bad_frames": 2, "vends": 3, "starts": 4}),
]  # fmt: skip


@pytest.mark.parametrize(("spec", "raw", "name", "seq", "fields"), REQUESTS, ids=lambda v: str(v)[:20])
def test_requests(spec, raw, name, seq, fields):
    body = bytes.fromhex(raw)
    got = spec.parse_request(body)
    assert (got.name, got.seq, got.fields) == (name, seq, fields)
    assert spec.build_request(name, seq, **fields) == body
    assert spec.asked(body) == (got.op, seq)


@pytest.mark.parametrize(("spec", "raw", "name", "seq", "status", "fields"), ANSWERS, ids=lambda v: str(v)[:20])
def test_answers(spec, raw, name, seq, status, fields):
    body = bytes.fromhex(raw)
    got = spec.parse_answer(body)
    assert (got.name, got.seq, got.status, got.fields) == (name, seq, status, fields)
    assert spec.build_answer(name, seq, status, **fields) == body
    assert spec.answered(body) == (got.op, seq)


def test_a_poll_with_events():
    # credit 0032h * 5 = 250, state 3; MONEY number 9: total 250, amount 100, a coin; OVER number 10: code 1, place 34
    body = bytes.fromhex("05 c1 00 00 32 03 02  6d 09 05 00 32 00 14 01  6f 0a 02 01 22")
    got = COUNTED.parse_answer(body)
    assert (got.fields["credit"], got.fields["state"]) == (250, 3)
    money, over = got.fields["events"]
    assert (money.number, money.name, money.fields) == (9, "CREDIT", {"total": 250, "amount": 100, "source": 1})
    assert (over.number, over.name, over.fields) == (10, "VEND-DONE", {"outcome": 1, "row": 2, "column": 3})
    assert COUNTED.build_answer("POLL", 5, credit=250, state=3, events=[money, over]) == body
    assert COUNTED.text(body) == (
        "ASK answer seq 5: credit 250, state 3, count 2, [9 MONEY total 250, amount 100, source 1], "
        "[10 OVER outcome 1, row 2, column 3]"
    )


def test_codes_money_and_what_a_link_cannot_tell():
    credit = FENCED.event_by_name["CREDIT"].data
    # source 67 ("C") is a coin; total and amount low byte first, all ones: unknown funds
    raw = bytes.fromhex("43 ff ff ff ff 0a 00 00 00")
    assert credit.parse(raw) == {"source": 1, "total": UNKNOWN_FUNDS, "amount": 10}
    assert credit.build({"source": 1, "total": UNKNOWN_FUNDS, "amount": 10}) == raw
    with pytest.raises(Misfit, match="source = 1"):
        credit.parse(bytes.fromhex("01 00 00 00 00 00 00 00 00"))
    for price in (126, 1275):  # no multiple of five; and more than FEh steps
        with pytest.raises(Misfit, match="in steps of 5"):
            COUNTED.build_request("VEND", 0, row=0, column=0, price=price)
    # credit that is told in steps of five is never told as more than there is
    assert COUNTED.parse_answer(COUNTED.build_answer("POLL", 0, credit=129, state=0, events=[])).fields["credit"] == 125
    for place in ("0a", "ff"):  # before the first; column 24 of a row of ten steps is another row's
        with pytest.raises(Misfit):
            COUNTED.parse_request(bytes.fromhex("00 53 00 0a"))
    lockout = FENCED.event_by_name["LOCKOUT"].data
    assert lockout.parse(lockout.build({"set": 1, "reason": 2})) == {"set": 1, "reason": 1}  # it has no word for it


@pytest.mark.parametrize(
    ("spec", "raw", "kind"),
    [
        (COUNTED, "10 48", "range"), (COUNTED, "00 49", "unknown"), (COUNTED, "00 53 19", "length"),
        (FENCED, "02 a0 00", "range"), (FENCED, "01 a5 07 02 05 02 7d 00 00 00", "range"), (FENCED, "01 ff 00", "unknown"),
    ],
)  # fmt: skip
def test_requests_that_do_not_fit(spec, raw, kind):
    with pytest.raises(Misfit) as caught:
        spec.parse_request(bytes.fromhex(raw))
    assert caught.value.kind == kind


@pytest.mark.parametrize("spec", [COUNTED, FENCED], ids=["counted", "fenced"])
@given(data=st.data())
def test_round_trips(spec, data):
    seq = data.draw(st.integers(0, spec.seqs - 1))
    row, column = data.draw(st.integers(0, 9)), data.draw(st.integers(0, 9))
    price = data.draw(st.integers(0, 254)) * 5
    asked = {"row": row, "column": column, "price": price}
    assert spec.parse_request(spec.build_request("VEND", seq, **asked))[2:] == (seq, asked)
    state, credit = data.draw(st.integers(0, 4)), data.draw(st.integers(0, 13_000)) * 5
    events = [
        (1, spec.event_by_name["VEND-DONE"].code, spec.event_by_name["VEND-DONE"].data.build({"row": row, "column": column, "outcome": 0})),
        (2, spec.event_by_name["BOOTED"].code, spec.event_by_name["BOOTED"].data.build({"cause": 2})),
    ]  # fmt: skip
    polled = spec.parse_answer(spec.build_answer("POLL", seq, state=state, credit=credit, events=events))
    assert (polled.seq, polled.fields["state"], polled.fields["credit"]) == (seq, state, credit)
    assert [(e.number, e.name) for e in polled.fields["events"]] == [(1, "VEND-DONE"), (2, "BOOTED")]


@given(st.binary(max_size=30), st.sampled_from([COUNTED, FENCED]), st.booleans())
def test_any_body_has_a_text(body, spec, out):
    assert "\n" not in spec.text(body, out)


# ---- a broken file

FILES = {name: read_toml(protocols_folder() / "kit" / f"{name}.toml") for name in ("counted", "fenced")}


def op(table, name):
    return next(one for one in table["operation"] if one["name"] == name)


BROKEN = [
    ("counted", lambda t: t["framing"].update(style="lines"), "framing.style: expected one of flags, length"),
    ("counted", lambda t: t["framing"].pop("style"), "framing: the key 'style' is missing"),
    ("counted", lambda t: t["framing"].update(length="u3"), 'framing.length: expected "u1" or "u2"'),
    ("counted", lambda t: t["framing"].update(counts=["check"]), "framing.counts: expected some of"),
    ("fenced", lambda t: t["framing"].update(start=2), "framing.start: expected a list of bytes"),
    ("fenced", lambda t: t["framing"].update(end=[300]), "framing.end: expected a byte"),
    ("counted", lambda t: t["check"].update(name="XOR"), "check.name: expected one of CRC-16/ARC"),
    ("counted", lambda t: t["check"].update(covers=["length"]), "check.covers: expected some of"),
    ("counted", lambda t: t["check"].update(final="twice"), 'check.final: expected "inverted" or "negated"'),
    ("counted", lambda t: t.update(check="XOR-8"), "check: expected a table, not 'XOR-8'"),
    ("counted", lambda t: t["body"].update(most=255), "body.most: 255 bytes are more than the frame's length"),
    ("counted", lambda t: t["body"].update(least=1), "body: a body of 1 bytes (least) has no room for code and seq"),
    ("counted", lambda t: t["body"].update(request=["code u1"]), "body.request: the field seq u1 is missing"),
    ("counted", lambda t: t["body"].update(request=["seq u2", "code u1"]), "body.request: seq: expected fields of one"),
    ("counted", lambda t: t["body"].update(request=["seq u1 0..7", "code u1"]), "body: seq: expected the same range"),
    ("counted", lambda t: t["body"].update(answer=["seq u1 0..15", "code u1", "status u1", "x u1"]), "body.answer: expec"),
    ("counted", lambda t: t["body"].update(event=["code u1", "number u1"]), "body.event: expected number u1"),
    ("counted", lambda t: t["body"].update(answer_bit=3), "body.answer_bit: expected one bit"),
    ("fenced", lambda t: t["body"].update(integers="small"), 'body.integers: expected "big" or "little"'),
    ("counted", lambda t: t["limits"].pop("gap"), "limits: the key 'gap' is missing"),
    ("counted", lambda t: t["limits"].update(gap=5), "limits.gap: "),
    ("counted", lambda t: op(t, "SELL").update(code=0x48), "operation[4].code: 0x48 stands twice"),
    ("counted", lambda t: op(t, "SELL").update(code="S"), "operation[4].code: 'S' stands twice or does not fit"),
    ("counted", lambda t: op(t, "SELL").update(name="HELLO"), "operation[4].name: 'HELLO' stands twice"),
    ("counted", lambda t: op(t, "SELL").update(means="RESET"), "operation[4].name: 'SELL' stands twice, or its meaning"),
    ("counted", lambda t: op(t, "SELL").update(means="SELLING"), "operation[4].means: expected one of RESET, IDENT"),
    ("counted", lambda t: op(t, "SELL").pop("means"), "operation[4].name: expected one of RESET, IDENT"),
    ("counted", lambda t: op(t, "SELL").pop("code"), "operation[4]: the key 'code' is missing"),
    ("counted", lambda t: op(t, "SELL").update(request=["place u1", "place u1"]), "operation[4].request: the field name"),
    ("counted", lambda t: op(t, "SELL").update(request=["place u1", "row u1", "price u1"]), "operation[4].request: row stands"),
    ("counted", lambda t: op(t, "SELL").update(request=["place u1"]), "operation[4].request: a request VEND needs the"),
    ("counted", lambda t: op(t, "SELL").update(request=["place u1", "price ascii2"]), "operation[4].request: price: exp"),
    ("counted", lambda t: op(t, "SELL").update(request=["place u1", "price u1", "key u1"]), "operation[4].request: a req"),
    ("counted", lambda t: op(t, "SELL").update(request="place"), "operation[4].request: expected a list of fields"),
    ("counted", lambda t: op(t, "ROWS").update(request=["first u1", "n u1", "prices u1"]), "operation[6].request: pric"),
    ("counted", lambda t: op(t, "ASK").update(answer=["state u1", "credit u2", "count u1", "queue u1"]), "operation[2].a"),
    ("counted", lambda t: t["operation"].pop(4), "operation: no link without VEND"),
    ("counted", lambda t: t["event"].pop(0), "event: no link without BOOTED"),
    ("counted", lambda t: t["event"][1].update(code=0x62), "event[1]: code 0x62 or name 'MONEY' stands twice"),
    ("counted", lambda t: t["event"][1].update(code=256), "event[1].code: expected 0x00 to 0xFF"),
    ("counted", lambda t: t.pop("places"), "operation[4].request: a field place needs a table [places]"),
    ("counted", lambda t: t["places"].update(row=0), "places: expected first from 0 on"),
    ("counted", lambda t: t["money"].update(unit=0), "money.unit: expected how many minor units"),
    ("counted", lambda t: t["status"].pop("4"), "status: no code means 'not enough credit'"),
    ("counted", lambda t: t["status"].update({"5": "busy"}), "status.5: 'busy' stands twice"),
    ("counted", lambda t: t["status"].update({"5": "tired"}), "status.5: expected one of ok, bad length"),
    ("counted", lambda t: t["status"].update({"0": ["ok", "busy"]}), "status.0: 'ok' needs a code of its own"),
    ("counted", lambda t: t["state"].update(on="sale open"), "state: expected codes from 0 to 255, not 'on'"),
    ("counted", lambda t: t["codes"].update(colour={}), "codes.colour: expected one of status, state"),
    ("counted", lambda t: t["codes"].update(cause={"0": "power-on"}), "codes.cause: no code means 'watchdog'"),
    ("counted", lambda t: t.update(state="x"), "state: expected a table"),
    ("counted", lambda t: t.update(operation="x"), "operation: expected [[operation]]"),
    ("counted", lambda t: t.update(operation=["x"]), "operation[0]: expected a table, not 'x'"),
    ("counted", lambda t: t["word"].update(baud=38401), "word.baud: 38401 does not divide"),
    ("counted", lambda t: t.update(asks="guest"), 'asks, answers: expected "host" and "board"'),
]  # fmt: skip


@pytest.mark.parametrize(("name", "change", "says"), BROKEN, ids=[says[:40] for _, _, says in BROKEN])
def test_a_broken_file_says_where(name, change, says):
    table = copy.deepcopy(FILES[name])
    change(table)
    with pytest.raises(UsageError) as caught:
        KitSpec(table, "own.toml")
    told = str(caught.value)
    assert told.startswith(f"own.toml: {says}"), told
    assert "\n" not in told


def test_a_machine_that_cannot_be_told():
    COUNTED.fits(9, 10, [125, NOT_FOR_SALE])
    for rows, columns, price in ((9, 11, 125), (6, 8, 126), (6, 8, 1275), (25, 10, 100)):
        with pytest.raises(Misfit):
            COUNTED.fits(rows, columns, [price])


def leaves(value, path=()):
    """Every place in a table, the inner ones too."""
    if path:
        yield path
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, one in inner:
        yield from leaves(one, (*path, key))


PLACES = {name: list(leaves(table)) for name, table in FILES.items()}
ODD = [None, "", "x", -1, 0, 1, 300, 1.5, True, [], ["x"], {}, {"x": 1}, "place u1", ["row u1"], "5 ms", [[]], [3]]


@given(st.sampled_from(sorted(FILES)).flatmap(lambda name: st.tuples(st.just(name), st.sampled_from(PLACES[name]))), st.sampled_from(ODD))
def test_whatever_stands_in_one_place_is_taken_or_refused_in_one_line(where, odd):
    name, path = where
    table = copy.deepcopy(FILES[name])
    holder = table
    for key in path[:-1]:
        holder = holder[key]
    holder[path[-1]] = odd
    try:
        KitSpec(table, "own.toml")
    except UsageError as error:
        assert str(error).startswith("own.toml: ")
        assert "\n" not in str(error)
