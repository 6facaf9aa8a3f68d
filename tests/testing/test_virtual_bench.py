"""A user's own host or board in virtual time: judged, deterministic, its mistakes loud."""

import asyncio
import sys
from types import SimpleNamespace

import pytest

from benchsim.clock import NoOutside
from benchsim.errors import UsageError
from benchsim.events import TICKS_PER_SECOND
from benchsim.testing import VirtualBench
from benchsim.testing.virtual_bench import NotOver

RESET_0 = bytes.fromhex("7e01009f167e")  # kit link reference; check by hand after RFC 1662 appendix C


@pytest.fixture(scope="module")
def host(example):
    return example("host")


def outcomes(bench: VirtualBench) -> dict[str, str]:
    return {verdict.rule: verdict.outcome for verdict in bench.verdicts()}


def test_a_request_by_hand_is_answered_and_judged():
    with VirtualBench(seats=("host",)) as bench:
        reader, writer = bench.connect("kit")

        async def asks(bench):
            await bench.clock.sleep(1)
            writer.write(RESET_0)
            return await reader.readuntil(b"\x7e") + await reader.readuntil(b"\x7e")

        answer = bench.run(asks)
    # answer to RESET: operation with the answer bit, seq 0, status ok, version 1, cause 0 (power)
    assert answer[:-3] == bytes.fromhex("7e8100000100")
    found = outcomes(bench)
    assert found["KIT-FRAME"] == found["SYS-PRESENT"] == "pass"
    assert found["KIT-POLL-RATE"] == "unseen"
    assert {verdict.judged for verdict in bench.verdicts()} == {"host"}


def test_the_example_host_keeps_every_rule_and_opens_the_sale(host):
    with VirtualBench(seats=("host",)) as bench:
        bench.start(host.Host(*bench.connect("kit")).run())
        bench.run_for(60)
        assert bench.board.sale
    assert not bench.broken()
    assert {"KIT-POLL-RATE", "KIT-START", "KIT-SEQ", "KIT-PRICE-WHOLE", "KIT-RELINK"} <= {
        rule for rule, outcome in outcomes(bench).items() if outcome == "pass"
    }


def test_a_host_that_polls_too_slowly_is_caught_with_its_frame(host, monkeypatch):
    monkeypatch.setattr(host, "POLL_EVERY", 0.3)
    with VirtualBench(seats=("host",)) as bench:
        bench.start(host.Host(*bench.connect("kit")).run())
        bench.run_for(10)
    (broken,) = bench.broken()
    assert (broken.rule, broken.judged, broken.worst) == ("KIT-POLL-RATE", "host", pytest.approx(300))
    assert broken.at[0].frame and broken.at[0].text.startswith("POLL")


def played(host, **about) -> tuple:
    with VirtualBench(seats=("host",), faults=["kit-cable-unplugged@3+0.7", "changer-unplugged@5"], **about) as bench:
        bench.start(host.Host(*bench.connect("kit")).run())

        async def buys(bench):
            await bench.stage.on_sale()
            await bench.stage.coins(3)
            bench.stage.tap(0, 1)
            await bench.stage.sleep(9)

        bench.run(buys)
    return bench.result.events, bench.verdicts()


def test_the_same_seed_gives_the_same_events_and_another_one_others(host):
    assert played(host, seed=4) == played(host, seed=4)
    assert played(host, seed=4)[0] != played(host, seed=5)[0]


def test_faults_befall_the_bench_at_their_time(host):
    events, _ = played(host)
    told = [(event.time, event.data) for event in events if getattr(event, "kind", "") == "fault"]
    assert [(at / 72_000_000, data["name"], data["on"]) for at, data in told] == [
        (3.0, "kit-cable-unplugged", True), (3.7, "kit-cable-unplugged", False), (5.0, "changer-unplugged", True),
    ]  # fmt: skip
    answers = [e.start / 72e6 for e in events if getattr(e, "sender", "") == "board" and e.link == "kit"]
    assert not [at for at in answers if 3.01 < at < 3.7] and [at for at in answers if 3.7 < at < 4.8]


def test_a_case_of_the_plan_is_played_by_its_name(host):
    with VirtualBench(seats=("host",)) as bench:
        bench.start(host.Host(*bench.connect("kit")).run())
        bench.run(lambda bench: bench.play("three-answers-lost"))
    assert outcomes(bench)["KIT-RETRY"] == "pass"


@pytest.mark.parametrize(
    ("seats", "case", "expected"),
    [(("host",), "nope", "polling"), (("changer",), "polling", "the host or the board"), (("board",), "card-wide", "benchsim check")],
)
def test_a_case_that_cannot_be_played_says_so(seats, case, expected):
    with VirtualBench(seats=seats, judge=False) as bench, pytest.raises(UsageError, match=expected):
        bench.run(lambda bench: bench.play(case))


def test_a_device_of_the_users_own_answers_on_the_bus():
    """A changer that says ACK to RESET and POLL. Address 08, MDB/ICP 4.3 §5; ACK is 00 with the mode bit."""
    with VirtualBench(seats=("changer",), judge=False) as bench:
        reader, writer = bench.connect("bus")

        async def changer():
            heard = b""
            while True:
                heard = (heard + await reader.readexactly(2))[-4:]
                if heard in (bytes((0x90, 0x08, 0x80, 0x08)), bytes((0x90, 0x0B, 0x80, 0x0B))):  # 108 008, 10B 00B
                    writer.write(bytes((0x90, 0x00)))

        bench.start(changer())
        bench.run_for(5)
    found = outcomes(bench)
    assert found["BUS-ANSWER"] == "pass" and found["SYS-PRESENT"] == "pass"


def test_a_board_of_the_users_own_hears_the_host_and_the_devices():
    with VirtualBench(seats=("board",), judge=False) as bench:
        kit, _ = bench.connect("kit")
        bus, ask = bench.connect("bus")

        async def scenario(bench):
            await bench.clock.sleep(3)
            ask.write(bytes((0x90, 0x08, 0x80, 0x08)))  # 108 008: RESET of the changer
            return await bus.readexactly(2), await kit.readexactly(6)

        acked, asked = bench.run(scenario)
    assert acked == bytes((0x90, 0x00))
    assert (asked[0], asked[1], asked[5]) == (0x7E, 0x01, 0x7E)  # the host's RESET


def test_an_error_in_the_users_own_code_ends_the_run_with_it():
    async def dies(bench):
        await bench.clock.sleep(2)
        raise ZeroDivisionError("mine")

    with VirtualBench(seats=("host",), judge=False) as bench:
        bench.start(dies(bench))
        with pytest.raises(ZeroDivisionError, match="mine"):
            bench.run_for(1000)
        assert bench.clock.now() == 2 * 72_000_000


def test_a_scenario_that_waits_for_ever_is_ended():
    async def waits(bench):
        await asyncio.Event().wait()

    with VirtualBench(within=20) as bench:
        with pytest.raises(NotOver, match="20 s"):
            bench.run(waits)
        assert bench.clock.now() == 20 * 72_000_000


def test_nothing_real_can_be_waited_for():
    async def looks_out(bench):
        await asyncio.open_connection("127.0.0.1", 9)

    with VirtualBench() as bench, pytest.raises(NoOutside):
        bench.run(looks_out)


@pytest.mark.parametrize(
    ("about", "expected"),
    [
        ({"seats": ["nobody"]}, "nobody"),
        ({"faults": ["kit-melts@3"]}, "kit-melts"),
        ({"seats": ["board"], "faults": ["board-restarts@3"]}, "is real"),
        ({"bench": "none.toml"}, "none.toml"),
    ],
)
def test_what_makes_no_sense_is_told(about, expected):
    with pytest.raises(UsageError, match=expected):
        VirtualBench(**about)


def test_a_seat_must_be_ones_own_to_be_taken():
    with VirtualBench(seats=("host",), judge=False) as bench:
        for link in ("bus", "audit"):
            with pytest.raises(UsageError, match=link):
                bench.connect(link)
        with pytest.raises(UsageError, match="board"):
            bench.connect("kit", "board")


def test_with_no_seat_of_ones_own_all_are_judged():
    with VirtualBench() as bench:
        bench.run_for(5)
    assert {"host", "board", "changer", "panel"} <= {verdict.judged for verdict in bench.verdicts()}
    assert not bench.broken()


def test_closing_leaves_no_task_and_no_loop_behind(host):
    with VirtualBench(seats=("host",)) as bench:
        task = bench.start(host.Host(*bench.connect("kit")).run())
        bench.run_for(3)
    assert task.cancelled()
    with pytest.raises(RuntimeError):
        asyncio.get_running_loop()
    assert sys.exc_info() == (None, None, None)


@pytest.fixture(scope="module")
def board(host, example):
    sys.modules["host"] = host  # as beside it in its folder
    yield example("board")
    del sys.modules["host"]


KIT_CASES = ("kit-start", "kit-slow-host", "kit-silence", "kit-corrupt", "kit-bad-commit", "kit-half-table", "kit-no-credit")


@pytest.mark.parametrize("case", KIT_CASES)
def test_the_example_board_keeps_the_rules_of_the_kit_link(board, case):
    with VirtualBench(seats=("board",), name=case) as bench:
        bench.start(board.Board(*bench.connect("kit")).run())
        bench.run(lambda bench: bench.play(case))
    lacking = [at.text for verdict in bench.broken() for at in verdict.at if "SURVEY" not in at.text]
    assert lacking == []  # it has no survey, and is told so
    passed = {rule for rule, outcome in outcomes(bench).items() if outcome == "pass"}
    assert {"KIT-FRAME", "KIT-GAP", "KIT-ANSWER", "KIT-QUIET", "KIT-SHAPE"} <= passed


def test_the_example_board_opens_the_sale_for_our_host(board):
    with VirtualBench(seats=("board",)) as bench:
        bench.start(board.Board(*bench.connect("kit")).run())

        async def scenario(bench):
            await bench.stage.on_sale()
            await bench.clock.sleep(5)

        bench.run(scenario)
    assert not bench.broken()


def test_a_board_that_answers_late_is_caught(board, monkeypatch):
    monkeypatch.setattr(board, "ANSWER_AFTER", 0.021)  # kit link reference: at most 20 ms
    with VirtualBench(seats=("board",)) as bench:
        bench.start(board.Board(*bench.connect("kit")).run())
        bench.run_for(5)
    assert [(v.rule, v.worst) for v in bench.broken()] == [("KIT-ANSWER", pytest.approx(21))]


def shopped(leap: bool) -> VirtualBench:
    """A sale, and five quiet minutes."""
    with VirtualBench(leap=leap) as bench:

        async def buys(bench):
            await bench.stage.on_sale()
            await bench.stage.coins(3, 3)
            bench.stage.tap(0, 0)
            await bench.clock.sleep(300)

        bench.run(buys)
    return bench


def test_quiet_time_leapt_over_leaves_the_verdicts_as_they_are():
    slow, quick = shopped(False), shopped(True)
    assert quick.result.end == slow.result.end
    assert outcomes(quick) == outcomes(slow) and not quick.broken()
    assert sum(v.checked for v in quick.verdicts()) == pytest.approx(sum(v.checked for v in slow.verdicts()), rel=0.02)
    assert slow.result.events and not quick.result.events and not quick.kept


class Always:
    at_rest = True


def with_own_host(host, leap, rests=None, minutes=3):
    """Coins that go back, an unplugged cable, a board that starts anew, and quiet between."""
    with VirtualBench(seats=("host",), leap=leap, faults=["kit-cable-unplugged@100+3"]) as bench:
        own = host.Host(*bench.connect("kit"))
        bench.start(own.run(), rests=(rests or own) if leap else None)
        diary = []  # what happened off the links, in bench time

        def happening(h):
            diary.append((h.time + bench.clock.skipped, h.seat, h.kind, h.data))

        async def goes_by(bench):
            bench.trace.listeners.append(SimpleNamespace(burst=lambda burst: None, happening=happening, leapt=lambda length, counted: None))
            await bench.stage.on_sale()
            await bench.stage.coins(3, 3)
            await bench.clock.sleep(20.05)
            bench.customer.lever()
            await bench.clock.sleep(120)
            await bench.stage.reboot()
            await bench.clock.sleep(60 * minutes)

        bench.run(goes_by)
        leapt = bench.clock.skipped / TICKS_PER_SECOND
    found = {(v.rule, v.judged): (v.outcome, v.checked, v.worst) for v in bench.verdicts()}
    counts = bench.board.answerer.requests, bench.board.queue.told, bench.devices["changer"].tubes
    return {"found": found, "counts": counts, "diary": diary, "end": bench.result.end}, leapt


@pytest.mark.parametrize("rests", [None, Always], ids=["as the host says", "always"])
def test_a_host_of_ones_own_that_says_when_it_rests_changes_nothing_by_it(host, rests):
    slow, quick = with_own_host(host, False), with_own_host(host, True, rests)
    assert quick[0] == slow[0]
    assert not slow[1] and quick[1] > 200
    assert quick[0]["found"]["KIT-POLL-RATE", "host"][1] > 3000


def test_a_host_that_never_speaks_is_found_with_leaps_as_without():
    with VirtualBench(seats=("host",), leap=True) as bench:
        bench.connect("kit")
        bench.run_for(30)
    assert [v.rule for v in bench.broken()] == ["SYS-PRESENT"]


def test_a_host_that_polls_out_of_step_with_all_else_is_played(host, monkeypatch):
    monkeypatch.setattr(host, "POLL_EVERY", 0.1313)
    slow, quick = with_own_host(host, False, minutes=0), with_own_host(host, True, Always, minutes=0)
    assert quick[0]["counts"] == slow[0]["counts"] and quick[0]["diary"] == slow[0]["diary"] and quick[1] == 0


def test_who_wakes_up_once_an_hour_is_not_leapt_over(host):
    """A timer that comes nearer is another state each time."""

    async def hourly(own):
        task = asyncio.ensure_future(own.run())
        await asyncio.sleep(3600)
        task.cancel()

    with VirtualBench(seats=("host",), leap=True) as bench:
        own = host.Host(*bench.connect("kit"))
        bench.start(hourly(own), rests=Always)
        bench.run_for(30)
        assert bench.clock.skipped == 0


def test_over_code_of_ones_own_no_time_is_leapt_that_it_does_not_allow(host):
    with pytest.raises(UsageError, match="no seats of your own but the host"):
        VirtualBench(seats=("board",), leap=True)
    with VirtualBench(seats=("host",), leap=True) as bench:
        own = host.Host(*bench.connect("kit"))
        with pytest.raises(UsageError, match="has no at_rest"):
            bench.start(own.run(), rests=3)
        bench.start(own.run())
        bench.run_for(60)
        assert bench.clock.skipped == 0 and not bench.broken()
    with VirtualBench(seats=("host",)) as bench:
        with pytest.raises(UsageError, match="leap=True"):
            bench.start(host.Host(*bench.connect("kit")).run(), rests=Always)
