"""Any sequence of picks and commands: every item that was asked for has one fate, and no rule fails."""

from cash_bench import play
from hypothesis import given, settings
from hypothesis import strategies as st

from benchsim.seats.satellite import Satellite

ITEMS = st.tuples(st.integers(0, 2), st.integers(0, 3))  # two rows of four; the third row is not there
ACTS = st.one_of(
    st.tuples(st.sampled_from(["pick", "VEND GRANTED", "VEND ITEM", "jam", "empty"]), ITEMS),
    st.tuples(st.just("wait"), st.sampled_from([0.2, 1.0, 2.5])),
    st.tuples(st.sampled_from(["VEND REFUSED", "CONTROL ENABLE", "CONTROL DISABLE", "SETUP", "RESET", "cut"]), st.none()),
)


async def act(cash, what, value):
    device = cash.device
    if what == "pick":
        device.pick(*value)
    elif what in ("jam", "empty"):
        (device.jammed if what == "jam" else device.empty).add(value)
    elif what == "wait":
        await cash.polls(value)
    elif what == "cut":
        device.stop()
        await cash.clock.sleep(0.5)
        device.start()
    elif what == "SETUP":
        await cash.ask("SETUP", level=1, scaling=50, decimals=2)
    elif value:
        await cash.ask(what, row=value[0], column=value[1])
    else:
        await cash.ask(what)


# What may follow, by the story that the class tells; a cut or a reset ends any story.
NEXT = {None: {"asked", "granted"}, "asked": {"granted", "refused", "unanswered", "asked"},
        "granted": {"delivered", "stuck"}, "refused": {"asked", "granted"}, "unanswered": {"asked", "granted"},
        "delivered": {"asked", "granted"}, "stuck": {"asked", "granted"}}  # fmt: skip


@settings(deadline=None, max_examples=30)
@given(st.lists(ACTS, max_size=16))
def test_every_item_has_one_fate(acts):
    async def script(cash):
        await cash.polls(0.3)
        await cash.ask("SETUP", level=1, scaling=50, decimals=2)
        await cash.ask("CONTROL ENABLE")
        for what, value in acts:
            await act(cash, what, value)
        told = [h.data for h in cash.happenings if h.kind == "item"]
        before = None
        for one in told:
            assert one["price"] is not None
            assert one["state"] in NEXT[before], (before, one)
            before = one["state"]
        return cash.verdicts()

    assert play(Satellite, script) == set()


@settings(deadline=None, max_examples=15)
@given(st.lists(ACTS, max_size=10))
def test_what_is_granted_is_delivered_or_told(acts):
    """After all, a grant for an item asked for ends in an ITEM STATUS of that item."""

    async def script(cash):
        for what, value in acts:
            await act(cash, what, value)
        await cash.polls(11)  # whatever is under way comes to its end: wait_s is 10 s, vend_s 2 s
        await cash.ask("SETUP", level=1, scaling=50, decimals=2)
        await cash.ask("CONTROL ENABLE")
        cash.device.empty.clear()
        cash.device.jammed.clear()
        assert cash.device.pick(1, 3)
        assert await cash.polls(0.3) == [("ITEM REQUEST", 1, 3, 5)]  # the eighth price: 250, in units of 50
        await cash.ask("VEND GRANTED", row=1, column=3)
        return await cash.polls(2.5)

    assert play(Satellite, script) == [("ITEM STATUS", 1, 3, 0)]
