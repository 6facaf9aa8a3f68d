"""A whole program in a host's place, written apart from the bench, in every case of its plan: no rule accuses it, whenever
it was started, however well it was heard. What befalls it then comes at another moment of its polling each time.
"""

import asyncio

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from benchsim.bench import bench_links
from benchsim.checks.host_plan import PLAN
from benchsim.checks.result import CaseResult
from benchsim.checks.runner import bench_for, play
from benchsim.clock import run
from benchsim.events import TICKS_PER_MS
from benchsim.schema import load_book
from benchsim.settings import Settings
from benchsim.testing.streams import connect

BOOK = load_book()
CASES = [name for name, case in PLAN.cases.items() if not case.hands and "panel" not in case.needs]
PTY = {"uncertainty": 3 * TICKS_PER_MS, "edges": False, "chunks": True}  # how a pseudo-terminal hears


@pytest.fixture(scope="module")
def host(example):
    return example("host")


def played(host, name: str, ms: float) -> CaseResult:
    """A case with the example in the host's place, started so late."""
    result = CaseResult(name, PLAN.cases[name].provokes, "host")

    async def main(clock):
        bench = bench_for(Settings(), BOOK, clock, 1, PLAN, PLAN.cases[name], real=frozenset(("host",)))
        bench.reached = frozenset(("kit",))
        reader, writer = connect(bench.lines["kit"], "host", True, 8, asyncio.get_running_loop())

        async def program():
            await asyncio.sleep(ms / 1000)
            await host.Host(reader, writer).run()

        task = asyncio.ensure_future(program())
        await play(bench, PLAN, PLAN.cases[name], result)
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        writer.close()
        result.links = bench_links(BOOK, bench.lines)

    run(main)
    return result


def accused(result: CaseResult) -> list:
    result.judge(BOOK)
    return [(v.rule, v.judged, v.at) for v in result.verdicts if v.outcome in ("fail", "warn")]


def check(host, name: str, ms: float) -> None:
    result = played(host, name, ms)
    assert accused(result) == []
    assert any(v.rule == "KIT-FRAME" and v.outcome == "pass" for v in result.verdicts)
    result.links = [info._replace(**PTY) if info.name == "kit" else info for info in result.links]
    assert accused(result) == []


@settings(max_examples=30, deadline=None)
@given(name=st.sampled_from(CASES), ms=st.integers(0, 800))
def test_no_rule_accuses_the_example(host, name, ms):
    check(host, name, ms)


@pytest.mark.parametrize("tenths_ms", range(90, 110))
def test_a_board_that_goes_off_at_any_moment_of_an_answer(host, tenths_ms):
    """Its supply goes in the answer to OPEN-SALE, of about a millisecond: before it, in every word of it, after it."""
    check(host, "board-back", tenths_ms / 10)
