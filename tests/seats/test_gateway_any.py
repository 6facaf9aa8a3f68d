"""Any sequence of commands and events of the network: the gateway loses no report that it holds, and fails no rule."""

from cash_bench import play
from hypothesis import given, settings
from hypothesis import strategies as st

from benchsim.seats.gateway import Gateway

ACTS = st.one_of(
    st.tuples(st.just("report"), st.sampled_from(["UNIT 1", "UNIT 2", "UNIT 3"])),
    st.tuples(st.just("link"), st.integers(0, 31)),
    st.tuples(st.just("wait"), st.sampled_from([0.2, 1.0, 3.5])),
    st.tuples(st.sampled_from(["CONTROL ENABLE", "CONTROL DISABLE", "CONTROL TRANSMIT", "RESET", "cut"]), st.none()),
)


async def act(cash, what, value):
    """Does it; returns a report that was taken."""
    if what == "report":
        return value if await cash.ask("REPORT ASSET", asset=value) == "ack" else None
    if what == "link":
        cash.device.link(value)
    elif what == "wait":
        await cash.polls(value)
    elif what == "cut":
        cash.device.stop()
        await cash.clock.sleep(0.5)
        cash.device.start()
    else:
        await cash.ask(what)
    return None


@settings(deadline=None, max_examples=25)
@given(st.lists(ACTS, max_size=14), st.integers(1, 3))
def test_reports_are_held_or_sent_or_told_to_be_lost(acts, capacity):
    async def script(cash):
        await cash.polls(0.3)
        taken = [name for what, value in acts if (name := await act(cash, what, value))]
        lost = len(taken) - len(cash.device.sent) - len(cash.device.held)
        full = [h for h in cash.happenings if h.kind == "report"]
        assert len(full) == len(taken) and lost >= 0
        kept = [fields["asset"] for _, fields in cash.device.sent + cash.device.held]
        if not lost:
            assert kept == taken  # each once, in order
        rest = iter(taken)
        assert all(name in rest for name in kept)  # in order, whatever was lost
        assert len(cash.device.held) <= capacity
        assert sum(h.data["reports"] for h in cash.happenings if h.kind == "sent") == len(cash.device.sent)
        return cash.verdicts()

    assert play(Gateway, script, {"capacity": capacity}) == set()


@settings(deadline=None, max_examples=20)
@given(st.lists(ACTS, max_size=10))
def test_with_a_link_and_leave_everything_goes_out(acts):
    async def script(cash):
        for what, value in acts:
            await act(cash, what, value)
        if not cash.device.strength:
            cash.device.link(20)
        await cash.polls(0.5)
        await cash.ask("CONTROL ENABLE")
        for _ in range(2):  # the first may send what was held before, the second what came meanwhile
            await cash.ask("CONTROL TRANSMIT")
            await cash.polls(3.5)
        return cash.device.held

    assert play(Gateway, script) == []
