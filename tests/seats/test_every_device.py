"""Every device that can stand on the bus stands there at once: the board starts them all, and no rule fails."""

from benchsim.bench import DEVICES, Bench, bench_links
from benchsim.clock import run
from benchsim.judge import Judge
from benchsim.schema import load_book
from benchsim.settings import Settings

BOOK = load_book()


def test_all_at_once():
    async def main(clock):
        bench = Bench(Settings(seats={seat: {"fitted": True} for seat in DEVICES}), BOOK, clock, 1)
        judge = Judge(bench_links(BOOK), BOOK)
        bench.trace.listeners.append(judge)
        bench.power_on()
        await clock.sleep(12)
        ready = bench.devices["gateway"].enabled, bench.devices["satellite3"].enabled
        asked = bench.devices["satellite2"].pick(0, 0)
        await clock.sleep(3)
        bench.trace.close()
        judge.close(clock.now())
        return ready, asked, judge.verdicts()

    ready, asked, verdicts = run(main)
    assert ready == (True, True) and asked
    assert [(v.rule, v.judged) for v in verdicts if v.outcome in ("fail", "warn", "unsure")] == []
    passed = {v.judged for v in verdicts if v.outcome == "pass"}
    assert passed >= set(DEVICES)
    assert set(DEVICES) >= {"changer", "validator", "cashless1", "cashless2", "gateway", "satellite1", "satellite3"}
