"""The board's event queue: numbers, acknowledgement, what gives way when it is full. Kit link reference."""

from hypothesis import given, settings
from hypothesis import strategies as st

from benchsim.schema import load_book
from benchsim.seats.event_queue import EventQueue

SPEC = load_book().kit


def queue(*events):
    made = EventQueue(SPEC)
    for name, fields in events:
        made.add(name, **fields)
    return made


def door(is_open):
    return "DOOR", {"open": is_open}


def seen(events):
    return [(e.number, e.name, e.raw) for e in events]


def test_numbers_count_up_and_stay():
    q = queue(door(1), door(0), ("SERVICE-BUTTON", {}))
    expected = [(1, "DOOR", b"\x01"), (2, "DOOR", b"\x00"), (3, "SERVICE-BUTTON", b"")]
    assert seen(q.offer(10)) == expected
    q.request("POLL", 12)  # not the next seq
    assert seen(q.offer(12)) == expected


def test_only_the_next_seq_acknowledges_and_only_what_was_offered():
    q = queue(door(1))
    q.offer(255)
    q.add("DOOR", open=0)
    q.request("CLOCK", 0)  # 255 + 1 mod 256
    assert seen(q.offer(0)) == [(2, "DOOR", b"\x00")]


def test_reset_acknowledges_nothing_nor_does_what_follows_it():
    q = queue(door(1))
    q.offer(5)
    q.request("RESET", 6)
    q.request("CLOCK", 7)
    assert seen(q.offer(8)) == [(1, "DOOR", b"\x01")]
    q.request("CLOCK", 9)
    assert q.empty


def test_numbers_wrap():
    q = queue()
    for i in range(256):
        q.add("DOOR", open=1)
        (event,) = q.offer(i)
        assert event.number == (i + 1) % 256
        q.request("POLL", (i + 1) % 256)


def test_a_reading_not_yet_offered_is_replaced_in_its_place_and_number():
    q = queue(("TEMPERATURE", {"tenths": 50}), door(1), ("TEMPERATURE", {"tenths": -10}), ("SUPPLY", {"millivolts": 24000}))
    first = [(1, "TEMPERATURE", b"\xff\xf6"), (2, "DOOR", b"\x01"), (3, "SUPPLY", b"\x5d\xc0")]
    assert seen(q.offer(1)) == first
    q.add("TEMPERATURE", tenths=7)  # the waiting one was offered: a new event
    assert seen(q.offer(2)) == [*first, (4, "TEMPERATURE", b"\x00\x07")]


def names_of(q, seq=2):
    names = []
    while events := q.offer(seq):
        names += [e.name for e in events]
        q.request("POLL", seq := seq + 1)
    return names


def test_in_a_full_queue_readings_give_way_and_money_never_does():
    held = [("CREDIT", {"source": 1, "amount": 1, "total": n}) for n in range(30)]
    q = queue(("TEMPERATURE", {"tenths": 50}), ("SUPPLY", {"millivolts": 24000}), *held)
    assert q.free == 0
    q.offer(1)
    q.add("SUPPLY", millivolts=23000)  # full, and the waiting one was offered: dropped
    assert q.free == 0
    q.add("CREDIT", source=1, amount=100, total=100)
    q.add("VEND-DONE", row=0, column=0, outcome=0)
    assert q.free == 0
    assert names_of(q) == ["CREDIT"] * 31 + ["VEND-DONE"]


def test_the_last_eight_places_are_for_money():
    q = queue(*[door(n % 2) for n in range(40)])
    assert q.free == 8
    q.add("DEVICE", address=8, condition=0, code=0)  # nothing of its kind waits
    assert q.free == 8
    for _ in range(8):
        q.add("CREDIT", source=1, amount=1, total=1)
    assert q.free == 0
    assert names_of(q) == ["DOOR"] * 24 + ["CREDIT"] * 8


def test_a_newer_state_takes_the_place_of_one_not_yet_offered():
    waiting = [("DEVICE", {"address": address, "condition": 0, "code": 0}) for address in (0x08, 0x10)]
    q = queue(*waiting, *[("SERVICE-BUTTON", {})] * 22)
    q.add("DEVICE", address=0x10, condition=1, code=0)
    assert seen(q.offer(1))[:2] == [(1, "DEVICE", b"\x08\x00\x00"), (2, "DEVICE", b"\x10\x01\x00")]
    q.add("DEVICE", address=0x10, condition=2, code=5)  # that one was offered: it stays as it is
    assert seen(q.offer(2))[1] == (2, "DEVICE", b"\x10\x01\x00")


def test_a_reading_gives_way_to_a_state():
    q = queue(("SUPPLY", {"millivolts": 24000}), *[("SERVICE-BUTTON", {})] * 23)
    q.add("DOOR", open=1)
    assert names_of(q) == ["SERVICE-BUTTON"] * 23 + ["DOOR"]


def test_withdrawn_events_are_gone():
    q = queue(("BOOTED", {"cause": 0}), door(1))
    q.offer(1)
    q.withdraw("BOOTED")
    assert [e.name for e in q.offer(2)] == ["DOOR"]


def test_what_does_not_fit_an_answer_waits():
    # An answer's payload has 124 bytes; status, state, credit, count take 7; a CREDIT 3 + 9.
    q = queue(*[("CREDIT", {"source": 1, "amount": i, "total": i}) for i in range(20)])
    events = q.offer(1)
    assert [e.number for e in events] == list(range(1, (124 - 7) // 12 + 1))
    body = SPEC.build_answer("POLL", 1, state=3, credit=0, events=events)
    assert len(body) <= 126
    q.request("POLL", 2)
    assert [e.number for e in q.offer(2)] == list(range(10, 19))


STEP = st.one_of(
    st.tuples(st.just("add"), st.sampled_from(["DOOR", "CREDIT", "TEMPERATURE"])),
    st.tuples(st.just("poll"), st.sampled_from(["heard", "lost"])),
    st.tuples(st.just("reset"), st.just("")),
)


@settings(max_examples=80, deadline=None)
@given(st.lists(STEP, max_size=60))
def test_a_host_that_drops_known_numbers_gets_each_event_once_and_in_order(steps):
    """Answers get lost; a lost one is asked for again by a repeat, or a RESET comes between."""
    q, seq, got, known, made, last = EventQueue(SPEC), 0, [], set(), [], []
    fields = {"DOOR": lambda n: {"open": n % 2}, "CREDIT": lambda n: {"source": 0, "amount": n, "total": n}}
    for n, (what, how) in enumerate([*steps, *[("poll", "heard")] * 12]):
        if what == "add":
            q.add(how, **fields.get(how, lambda n: {"tenths": n})(n))
            if how != "TEMPERATURE":
                made.append((how, SPEC.event_by_name[how].data.build(fields[how](n))))
            continue
        seq = (seq + 1) % 256
        q.request("RESET" if what == "reset" else "POLL", seq)
        if what == "reset":
            continue
        last = q.offer(seq)
        if how == "lost":  # all tries fail: the link is down, and the host goes on with RESET
            seq = (seq + 1) % 256
            q.request("RESET", seq)
            continue
        for event in last:
            if event.number not in known:
                known.add(event.number)
                got.append((event.name, event.raw))
    assert [g for g in got if g[0] != "TEMPERATURE"] == made
