"""Readings at any moment: readers are pulled, the board loses its supply, words are damaged, things are sold. What the
good readings told adds up, and no rule on the board's audit port fails."""

import sys
from pathlib import Path

from hypothesis import Phase, given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))  # tests are not a package: this finds audit_bench
from audit_bench import BOOK, play

from benchsim.bench import bench_links
from benchsim.judge import Judge
from benchsim.links.audit_text import does_not_close
from benchsim.settings import Settings

PRICED = Settings(prices=[100] * 47 + [400])
ACTS = st.lists(
    st.tuples(
        st.sampled_from(["read", "read", "read", "pull", "off", "coin", "sell", "lever", "hurt", "hurt board"]),
        st.sampled_from([0.0, 0.02, 0.1, 0.3, 0.7, 1.3, 2.0, 6.0]),
    ),
    max_size=14,
)


async def act(shop, what, texts):
    bench, line = shop.bench, shop.bench.lines["audit"]
    if what == "read":
        bench.auditor.begin(lambda reading: texts.append(reading.text) if reading.text else None)
    elif what == "pull":
        bench.auditor.pull()
    elif what == "off":
        bench.board.power_off()
        await shop.clock.sleep(0.2)
        bench.board.power_on()
    elif what in ("coin", "sell"):
        bench.devices["changer"].insert(4)
        if what == "sell":
            await shop.clock.sleep(0.5)
            bench.panel.tap(0, 0, 6, 8)
    elif what == "lever":
        bench.devices["changer"].lever()
    else:  # the next thing said on that conductor arrives with a wrong bit
        line.hurts.append(hurt(line, out=what == "hurt"))


def hurt(line, out):
    def once(burst):
        if burst.out != out:
            return burst
        line.hurts.remove(once)
        middle = len(burst.words) // 2
        return burst._replace(words=(*burst.words[:middle], burst.words[middle] ^ 0x40, *burst.words[middle + 1 :]))

    return once


@settings(max_examples=12, deadline=None, phases=[Phase.explicit, Phase.generate])  # to shrink takes minutes
@given(ACTS)
def test_any_order_of_things(acts):
    async def script(shop):
        texts, judge = [], Judge(bench_links(BOOK), BOOK)
        shop.bench.trace.listeners.append(judge)
        await shop.on_sale()
        for what, pause in acts:
            await act(shop, what, texts)
            await shop.clock.sleep(pause)
        shop.bench.lines["audit"].hurts.clear()
        await shop.clock.sleep(12)
        reading = await shop.bench.auditor.read()
        if reading.text:
            texts.append(reading.text)
        judge.close(shop.clock.now())
        return texts, reading, judge.verdicts(), any(what == "hurt board" for what, _ in acts)

    texts, last, verdicts, damaged = play(script, settings=PRICED)
    assert last.text is not None  # whatever was before, a reader that is left alone reads
    assert all(text.wrong == () and text.check_right and does_not_close(text) == [] for text in texts)
    values = [text.numbers("VA1") for text in texts]
    assert [one["value"] for one in values] == sorted(one["value"] for one in values)
    broken = {(v.rule, v.outcome) for v in verdicts if v.judged == "board" and v.rule.startswith("AUD-") and v.outcome in ("fail", "warn")}
    assert broken <= ({("AUD-CHECK", "fail")} if damaged else set()), broken
