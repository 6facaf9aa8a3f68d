"""Audit counters of the board, read over its audit port. Numbers are added up by hand; checks by the crc library."""

import random
import sys
from collections import Counter
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))  # tests are not a package: this finds audit_bench
sys.path.insert(0, str(Path(__file__).parents[1] / "links"))
from audit_bench import BOOK, play
from audit_by_hand import ARC

from benchsim.links.audit_blocks import DATA, ItemReader
from benchsim.links.audit_text import does_not_close, growth_does_not_close
from benchsim.settings import Settings

ONE_PRICE = Settings(prices=[100] * 47 + [400])  # what is dearer lets more coins in


def raw_text(shop):
    """What the board said in its last session, from the words on the line."""
    reader, blocks = ItemReader(BOOK.audit), []
    for burst in shop.bursts:
        if not burst.out:
            for item in reader.feed(burst):
                if item.name == DATA:
                    blocks.append(item)
                    if item.last:
                        whole, blocks = b"".join(block.data for block in blocks), []
    return whole


def test_nobody_reads_unless_asked():
    async def script(shop):
        await shop.on_sale()
        await shop.coin()
        return shop.bursts

    assert play(script) == []


def test_one_sale_by_hand():
    """Three coins of 50 for a product of 100, then the lever: 50 back from a tube that held 5 x 20 coins."""

    async def script(shop):
        await shop.on_sale()
        for _ in range(3):
            await shop.coin(3)  # 0.50, and its tube is there
        assert await shop.tap(0, 2)
        await shop.lever()
        first = await shop.read()
        second = await shop.read()
        return first, second, raw_text(shop)

    first, second, raw = play(script, settings=ONE_PRICE)
    assert first.numbers("VA1") == dict(zip(("value", "count", "value since reset", "count since reset"), (100, 1) * 2, strict=True))
    assert first.numbers("CA2")["value"] == 100 and first.numbers("DA2")["value"] == 0
    cash = first.numbers("CA3")
    assert (cash["in"], cash["bills"], cash["box"] + cash["tubes"]) == (150, 0, 150)
    assert first.numbers("CA4")["out"] == 50
    tubes = 20 * (5 + 10 + 20 + 50) + cash["tubes"] - 50
    assert first.numbers("CA15") == {"tubes hold": tubes}
    assert first.products()["103"]["count"] == 1
    assert second.numbers("VA1") == {"value": 100, "count": 1, "value since reset": 0, "count since reset": 0}
    assert second.numbers("CA3")["in since reset"] == 0 and second.numbers("CA3")["in"] == 150
    # the check and the count, without benchsim: from ST up to G85, segments with both ends
    body = raw[raw.index(b"ST*") : raw.index(b"G85*")]
    assert raw[raw.index(b"G85*") :].split(b"\r\n")[0] == b"G85*%04X" % ARC.checksum(body)
    assert raw.split(b"SE*")[1].split(b"*")[0] == b"%d" % (body.count(b"\r\n") + 2)


def test_counters_outlive_a_power_loss():
    async def script(shop):
        await shop.on_sale()
        await shop.coin(4)
        assert await shop.tap()
        shop.bench.board.power_off()
        reading = await shop.bench.auditor.read()
        assert reading.text is None and reading.why == "first handshake: no good answer after five tries"
        shop.bench.board.power_on()
        await shop.clock.sleep(1)
        return await shop.read()

    text = play(script, settings=ONE_PRICE)
    assert text.numbers("VA1")["value"] == 100 and text.numbers("EA7") == {"outages since reset": 1, "outages": 1}


def test_never_reset_if_the_bench_says_so():
    async def script(shop):
        await shop.on_sale()
        await shop.coin(4)
        assert await shop.tap()
        return [await shop.read(), await shop.read()]

    texts = play(script, settings=Settings(prices=[100] * 47 + [400], audit_reset="never"))
    assert [text.numbers("VA1")["value since reset"] for text in texts] == [100, 100]


def test_what_is_sold_while_a_reading_goes_on_is_told_by_the_next():
    async def script(shop):
        await shop.on_sale()
        await shop.coin(4)
        await shop.coin(4)
        assert await shop.tap(0, 0)
        got = []
        shop.bench.auditor.begin(got.append)
        assert await shop.until(lambda: len([b for b in shop.bursts if not b.out and len(b.words) > 200]) >= 2)
        assert await shop.tap(0, 1)
        assert not got or got[0].why == ""
        await shop.until(lambda: got)
        return got[0].text, await shop.read()

    first, second = play(script, settings=ONE_PRICE)
    assert [text.numbers("VA1")["value since reset"] for text in (first, second)] == [100, 100]
    assert second.numbers("VA1")["value"] == 200


@pytest.mark.parametrize("after", [0.05, 0.4, 1.0, 1.9])
def test_a_reader_that_is_pulled_resets_nothing(after):
    async def script(shop):
        await shop.on_sale()
        await shop.coin(4)
        assert await shop.tap()
        got = []
        shop.bench.auditor.begin(got.append)
        await shop.clock.sleep(after)
        shop.bench.auditor.pull()
        assert [reading.why for reading in got] == ["pulled out"]
        await shop.clock.sleep(0.2)
        return await shop.read()

    assert play(script, settings=ONE_PRICE).numbers("VA1")["value since reset"] == 100


def test_the_board_loses_its_supply_in_the_middle():
    async def script(shop):
        await shop.on_sale()
        got = []
        shop.bench.auditor.begin(got.append)
        await shop.clock.sleep(0.7)
        shop.bench.board.power_off()
        await shop.clock.sleep(10)
        shop.bench.board.power_on()
        await shop.clock.sleep(1)
        return got[0], await shop.read()

    reading, text = play(script)
    assert reading == (None, "data: the other side fell silent")
    assert text.numbers("EA7")["outages"] == 1


def test_free_products_and_events():
    async def script(shop):
        await shop.on_sale()
        assert await shop.tap(0, 0)
        shop.bench.coils.empty.add((0, 1))
        await shop.coin(4)
        assert not await shop.tap(0, 1)
        shop.bench.board.door(True)
        await shop.clock.sleep(1)
        shop.bench.board.door(False)
        return await shop.read()

    text = play(script, settings=Settings(prices=[0] + [100] * 46 + [400]))
    assert text.numbers("VA3")["count"] == 1 and text.numbers("VA1")["count"] == 0
    assert text.products()["101"]["count"] == 0 and text.of("PA4") == [("PA4", "1", "0", "1", "0")]
    assert text.events()["NODROP"] == text.events()["DOOR"] == {"count since reset": 1, "count": 1}
    assert does_not_close(text) == []


def test_fills_by_hand_where_the_changer_reports_them():
    """Ten coins of 10 in, three of 50 out, the door open: 1700 + 100 - 150 in the tubes."""

    async def script(shop):
        await shop.on_sale()
        first = await shop.read()
        shop.bench.board.door(True)
        shop.bench.devices["changer"].fill_by_hand(1, 10)
        shop.bench.devices["changer"].pay_by_hand(3, 3)
        shop.bench.devices["changer"].service_done()
        shop.bench.board.door(False)
        await shop.clock.sleep(60)
        return first, await shop.read()

    first, second = play(script, settings=Settings(seats={"changer": {"features": 7}}))
    assert second.numbers("CA10") == {"filled since reset": 100, "filled": 100}
    assert second.numbers("CA4") == {"out since reset": 0, "by hand since reset": 150, "out": 0, "by hand": 150}
    assert (first.numbers("CA15")["tubes hold"], second.numbers("CA15")["tubes hold"]) == (1700, 1650)
    assert growth_does_not_close(first, second) == []


class Ledger:
    """A test's own account, from what really happened off the links."""

    def __init__(self, told):
        self.box = self.tubes = self.bills = self.out = self.card = self.drops = 0
        for one in told:
            value = one.data.get("value", 0)
            if one.kind == "coin" and one.data["to"] in ("tube", "box"):
                if one.data["to"] == "tube":
                    self.tubes += value
                else:
                    self.box += value
            elif one.kind == "bill" and one.data["to"] == "stacked":
                self.bills += value
            elif one.kind == "payout":
                self.out += value
            elif one.kind == "charge":
                self.card += value
            elif one.kind == "drop":
                self.drops += 1


def test_a_hundred_sales_close():
    """By coin, bill and card at random, read now and then: counters, a ledger kept here, and what is in the tubes."""

    async def script(shop):
        rng, sold, texts = random.Random(7), Counter(), []
        await shop.on_sale()
        held = sum(shop.bench.devices["changer"].tubes[i] * v for i, v in enumerate((5, 10, 20, 50)))
        for n in range(120):
            row, column = rng.randrange(6), rng.randrange(8)
            price = shop.bench.settings.prices[row * 8 + column]
            how = rng.choice(("coins", "bill", "card"))
            if how == "coins":
                for _ in range(6):
                    if shop.bench.board.memory.cash >= price:
                        break
                    await shop.coin(rng.choice((2, 3, 3, 4)))
            elif how == "bill":
                shop.bench.devices["validator"].insert(0)
                await shop.clock.sleep(3)
            else:
                shop.bench.devices["cashless1"].card(1000)
                await shop.clock.sleep(1)
            if await shop.tap(row, column):
                sold[f"{row + 1}{column + 1:02}"] += price
            if how == "card":
                shop.bench.devices["cashless1"].pull()
                await shop.clock.sleep(1)
            if rng.random() < 0.3:
                await shop.lever()
            if n % 40 == 39:
                await shop.clock.sleep(20)
                texts.append(await shop.read())
        tubes = sum(shop.bench.devices["changer"].tubes[i] * v for i, v in enumerate((5, 10, 20, 50)))
        return Ledger(shop.told), sold, texts, held, tubes

    book, sold, texts, held, tubes = play(script)
    last = texts[-1]
    assert sum(sold.values()) > 12_000 and book.card and book.bills and book.box and book.tubes and book.out
    assert last.numbers("VA1")["value"] == sum(sold.values())
    assert last.numbers("VA1")["count"] == book.drops
    assert {name: one["value"] for name, one in last.products().items() if one["value"]} == dict(sold)
    assert last.numbers("CA2")["value"] + last.numbers("DA2")["value"] == sum(sold.values())
    assert last.numbers("DA2")["value"] == book.card
    cash = last.numbers("CA3")
    assert (cash["box"], cash["tubes"], cash["bills"]) == (book.box, book.tubes, book.bills)
    assert last.numbers("CA4")["out"] == book.out
    assert last.numbers("CA15")["tubes hold"] == tubes == held + book.tubes - book.out
    for name in ("VA1", "CA2", "DA2"):  # what the readings told since the one before adds up to the whole
        assert sum(text.numbers(name)["value since reset"] for text in texts) == last.numbers(name)["value"]
    assert sum(text.numbers("CA3")["in since reset"] for text in texts) == cash["in"]
    assert [does_not_close(text) for text in texts] == [[]] * len(texts)
    assert [growth_does_not_close(a, b) for a, b in zip(texts, texts[1:], strict=False)] == [[]] * (len(texts) - 1)
