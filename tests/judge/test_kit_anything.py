"""Whatever comes over the wires, the judge goes on, and says the same however the bytes are cut."""

from hypothesis import given, settings
from hypothesis import strategies as st

from benchsim.events import Burst

REQUESTS = ["01", "02", "03", "04", "05", "07", "080004", "10000004", "0600000064", "55", "0b030000"]
ANSWERS = ["00", "04", "000100", "00030000006400", "0006000000c80101040101", "0000", "09"]


@st.composite
def talks(draw):
    """(host speaks, body, milliseconds after the last frame, wrecked): mostly sensible, often broken."""
    steps = []
    for _ in range(draw(st.integers(1, 12))):
        op, seq = draw(st.sampled_from(REQUESTS)), draw(st.integers(0, 3))
        after = draw(st.sampled_from([0.1, 5, 39, 40, 60, 101, 600, 2200]))
        steps.append((True, f"{op[:2]}{seq:02x}{op[2:]}", after, draw(st.integers(0, 9)) == 0))
        for _ in range(draw(st.sampled_from([0, 1, 1, 1, 2]))):
            body = f"{int(op[:2], 16) | 0x80:02x}{seq:02x}" + draw(st.sampled_from(ANSWERS))
            steps.append((False, body, draw(st.sampled_from([0, 2, 20, 21, 45])), draw(st.integers(0, 9)) == 0))
    return steps


@settings(max_examples=60, deadline=None)
@given(steps=talks(), doubt=st.sampled_from([0, 1, 30]))
def test_any_talk_is_judged_alike_in_any_cut(kit, steps, doubt):
    talk = kit(doubt=doubt)
    for host, body, after, wreck in steps:
        (talk.host if host else talk.board)(body, after=after, wreck=wreck)
    whole, single = (
        [v.as_json() for v in talk.judge(end=3000, bytewise=cut).verdicts()] for cut in (False, True)
    )
    assert whole == single
    assert {v["outcome"] for v in whole} <= {"pass", "fail", "unsure", "unseen", "warn"}
    assert all((v["outcome"] == "unseen") == (v["why"] is not None) for v in whole)


@settings(max_examples=60, deadline=None)
@given(chunks=st.lists(st.tuples(st.booleans(), st.binary(min_size=1, max_size=12), st.integers(0, 40)), max_size=25))
def test_noise_breaks_rules_not_the_judge(kit, chunks):
    talk = kit()
    for out, noise, after in chunks:
        start = talk.now + after * 72_000
        talk.now = start + len(noise) * 6_250  # bytes at 115,200 baud
        talk.events.append(Burst(start, talk.now, "kit", out, "host" if out else "board", tuple(noise)))
    assert all(v.checked or v.outcome == "unseen" for v in talk.judge().verdicts())
