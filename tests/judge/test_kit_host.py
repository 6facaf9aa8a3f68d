"""The host's rules on the kit link. Limits (kit link reference): POLL 50 to 250 ms, wait 40 to 100 ms, four
tries, RESET every 500 to 1000 ms, the first within 1000 ms of the link's being down. A legal talk must break
nothing at all, an illegal one just the rule it is about.
"""

import pytest
from crccheck.crc import CrcX25

from benchsim.events import Burst, LinkInfo
from benchsim.judge import Judge
from benchsim.schema import load_book

CREDIT = [(1, 0x02, "01" + "000000c8" * 2)]  # number 1: CREDIT, coin, 200, total 200
IDENT = b"MAKER-------MODEL-------SERIAL------" + bytes((0x01, 0x00, 2, 2))
TABLE = bytes.fromhex("0064006400c8ffff")
BOOTED = (1, 0x01, "00")


def test_a_clean_start_and_sale_break_nothing(kit):
    talk = kit().start().poll(3, 200, CREDIT).ask("06", "00000064").poll(4, 100).poll(3, 100)
    assert talk.broken() == []
    passed = {v.rule for v in talk.judge(subject="host").verdicts() if v.outcome == "pass"}
    assert passed == {"KIT-FRAME", "KIT-GAP", "KIT-POLL-RATE", "KIT-SEQ", "KIT-START", "KIT-PRICE-WHOLE",
                      "KIT-SALE-STATE", "KIT-SHAPE", "KIT-REFUND", "SYS-PRESENT"}  # fmt: skip


@pytest.mark.parametrize(("ms", "broken"), [(50, []), (250, []), (49.999, 1), (250.001, 1)])
def test_poll_rate(kit, ms, broken):
    assert kit().start().poll().poll(every=ms).broken() == (["KIT-POLL-RATE host"] if broken else [])


def test_poll_rate_counts_no_retry_and_nothing_before_the_sale(kit):
    before = kit()
    before.host("0100").answer("000100").poll(0).poll(0, every=800)
    assert before.broken() == []
    retried = kit().start().poll()
    retried.seq += 1
    retried.host(f"03{retried.seq:02x}", every=100).host(f"03{retried.seq:02x}", after=60)
    retried.answer("000300000000" + "00")
    assert retried.poll(every=40).broken(subject="host") == []


@pytest.mark.parametrize(("ms", "broken"), [(40, False), (100, False), (39.999, True), (100.001, True)])
def test_wait(kit, ms, broken, answer_to_poll):
    talk = kit().start()
    talk.seq += 1
    talk.host("0306").host("0306", after=ms).answer(answer_to_poll(3, 0))
    assert talk.broken(subject="host") == (["KIT-WAIT host"] if broken else [])


def test_wait_is_unsure_where_the_uncertainty_straddles(kit, answer_to_poll):
    talk = kit(doubt=1).start()
    talk.seq += 1
    talk.host("0306").host("0306", after=40.5).answer(answer_to_poll(3, 0))
    assert talk.verdict("KIT-WAIT", "host").outcome == "unsure"


def test_a_begun_answer_is_let_end(kit, answer_to_poll):
    """Eleven bytes with pauses of 9 ms: begun after 2 ms, over after 75."""
    slow = kit().start()
    slow.seq += 1
    slow.host("0306")
    asked = slow.now
    slow.answer(answer_to_poll(3, 0), gap=9)
    assert slow.poll().broken() == []
    into = kit().start()
    into.seq += 1
    into.host("0306")
    asked, over = into.now, into.asked
    into.answer(answer_to_poll(3, 0), after=35, gap=9)
    into.now, into.asked = asked, over
    into.host("0306", after=41).wait(10)
    assert "KIT-WAIT host" in into.broken(subject="host")


def silent(kit, tries, ms=60):
    """A start, then a POLL (seq 6) that nobody answers."""
    talk = kit().start()
    talk.seq = 6
    talk.host("0306")
    for _ in range(tries - 1):
        talk.host("0306", after=ms)
    return talk


def test_retry(kit, answer_to_poll):
    assert silent(kit, 4).answer(answer_to_poll(3, 0)).broken(subject="host") == []
    assert silent(kit, 5).answer(answer_to_poll(3, 0)).broken(subject="host") == ["KIT-RETRY host"]
    other = silent(kit, 1).host("0e0600000000", after=60).answer()
    assert other.broken(subject="host") == ["KIT-RETRY host"]
    on = silent(kit, 2).host("0307", after=60)
    on.seq = 7
    assert on.answer(answer_to_poll(3, 0)).broken(subject="host") == ["KIT-RETRY host"]
    early = silent(kit, 2).host("0107", after=60).answer("000100")
    assert early.broken(subject="host") == ["KIT-RETRY host warn"]
    anew = silent(kit, 2).host("0107", after=3000)  # a host that was started again
    anew.seq = 7
    assert anew.answer("000100").broken(subject="host") == []


@pytest.mark.parametrize(("seq", "broken"), [(6, []), (7, ["KIT-SEQ host"]), (5, ["KIT-SEQ host"])])
def test_seq(kit, seq, broken, answer_to_poll):
    talk = kit().start()
    talk.seq = seq
    talk.host(f"03{seq:02x}", after=95).answer(answer_to_poll(3, 0))
    assert talk.broken(subject="host") == broken


def test_seq_wraps_and_reset_may_have_any(kit):
    talk = kit().start(first="01fa")
    assert talk.poll().poll().poll().broken() == []  # over 255 to 0
    talk.seq = 77
    assert talk.start(first="014d").broken() == []


def test_the_same_again_after_its_answer_is_no_retry(kit, answer_to_poll):
    talk = kit().start().poll()
    talk.host("0306", after=95).answer(answer_to_poll(3, 0))
    assert talk.broken() == ["KIT-SEQ host"]


def test_a_stall_of_the_bench_is_no_fault_of_the_host(kit, answer_to_poll):
    """The answer was noted in time but reached the host 70 ms late, so it rightly asked again."""
    clear, stalled = (kit(doubt=1, chunks=True).start() for _ in range(2))
    for talk in (clear, stalled):
        talk.seq = 6
        talk.host("0306", after=95).answer(answer_to_poll(3, 0))
        if talk is stalled:
            talk.wait(55).late(70)
        talk.host("0306", after=60 if talk is clear else 5).answer(answer_to_poll(3, 0))
    assert clear.broken(subject="host") == ["KIT-SEQ host"]
    assert stalled.broken(subject="host") == []


def test_an_answer_with_a_long_gap_may_be_dropped_or_taken(kit, answer_to_poll):
    """Where bytes come in lumps we cannot hold the gap against a frame, but its receiver may."""
    for seq in (6, 7):
        talk = kit(doubt=1, chunks=True).start()
        talk.seq = 6
        talk.host("0306", after=95).answer(answer_to_poll(3, 0), gap=15)
        talk.seq = seq
        talk.host(f"03{seq:02x}", after=60).answer(answer_to_poll(3, 0))
        assert talk.broken(subject="host") == []


def test_a_host_that_goes_on_took_the_answer_with_the_long_gap(kit):
    talk = kit(doubt=1, chunks=True)
    talk.host("0100").answer("000100").ask("02", "", "00" + IDENT.hex())
    talk.seq += 1
    talk.host("08020004").answer("00", gap=15).ask("09", f"000004{TABLE.hex()}")
    talk.ask("0a", f"{CrcX25.calc(TABLE):04x}").ask("04")
    assert talk.broken(subject="host") == []
    assert talk.verdict("KIT-START", "host").outcome == "pass"


def down(kit):
    """The link is down: four tries without an answer, 60 ms to wait for the last."""
    return silent(kit, 4)


@pytest.mark.parametrize(("ms", "broken"), [(40, False), (1100, False), (1100.001, True)])
def test_first_reset(kit, ms, broken):
    """At most 100 ms to wait, then at most 1000 ms to the first RESET."""
    talk = down(kit).host("0107", after=ms)
    talk.seq = 7
    assert talk.answer("000100").broken(subject="host") == (["KIT-RELINK host"] if broken else [])


def test_giving_up_before_the_last_wait_is_over(kit):
    talk = down(kit).host("0107", after=39)
    talk.seq = 7
    assert talk.answer("000100").broken(subject="host") == ["KIT-WAIT host"]


@pytest.mark.parametrize(("ms", "broken"), [(500, False), (1000, False), (499.999, True), (1000.001, True)])
def test_reset_to_reset(kit, ms, broken):
    talk = down(kit).host("0107", after=100).host("0108", every=ms)
    talk.seq = 8
    assert talk.answer("000100").broken(subject="host") == (["KIT-RELINK host"] if broken else [])
    starting = kit().host("0100").host("0101", every=ms)
    starting.seq = 1
    assert starting.answer("000100").broken(subject="host") == (["KIT-RELINK host"] if broken else [])


def test_relink_is_reset_only_each_with_a_new_seq(kit):
    same = down(kit).host("0107", after=100).host("0107", every=700)
    same.seq = 7
    assert same.answer("000100").broken(subject="host") == ["KIT-RELINK host"]
    other = down(kit).host("0307", after=100)
    other.seq = 7
    assert other.answer("0003000000000000").broken(subject="host") == ["KIT-RELINK host"]


def test_a_host_that_never_resets(kit):
    assert down(kit).broken(subject="host", end=1000) == []  # open at the end
    assert down(kit).broken(subject="host", end=1101) == ["KIT-RELINK host"]
    assert down(kit).power("host", False).broken(subject="host", end=3000) == []


def test_relink_ends_with_the_whole_start(kit):
    good = down(kit).host("0107", after=100).wait(600).start(first="0108")
    assert good.broken(subject="host") == []
    short = down(kit).host("0107", after=100).wait(600)
    short.seq = 8
    short.host("0108").answer("000100").ask("04", "", "04")
    assert short.broken(subject="host") == ["KIT-RELINK host", "KIT-START host"]


def test_start(kit):
    no_table = kit().host("0100").answer("000100").ask("02", "", "04").ask("04", "", "04")
    assert no_table.broken(subject="host") == ["KIT-START host"]  # a board that opens it is wrong as well
    no_reset = kit().power("host", True)
    no_reset.poll(0)
    assert no_reset.broken() == ["KIT-START host"]
    running = kit().power("board", True)  # the board is switched on while the host polls
    running.poll(0)
    assert running.broken() == []
    in_the_middle = kit(whole=False)
    in_the_middle.poll(3).poll(3)
    assert in_the_middle.broken() == []
    assert in_the_middle.verdict("KIT-START", "host").outcome == "unseen"


def test_start_again_after_booted(kit):
    good = kit().start().poll(0, 0, [BOOTED]).poll(0, 0).start(first="0120")
    assert good.broken() == []
    bad = kit().start().poll(0, 0, [BOOTED]).ask("04", "", "04")
    assert bad.broken() == ["KIT-START host"]
    deaf = kit().start().poll(0, 0, [BOOTED])
    for _ in range(105):
        deaf.poll(0, 0)
    assert deaf.broken() == ["KIT-START host"]


def test_prices(kit):
    refused = kit().start().table(commit="03").table(commit="03").table()
    assert refused.broken() == []
    stubborn = kit().start().table(commit="03").table(commit="03").table(commit="03").table(commit="03")
    assert stubborn.broken() == ["KIT-PRICE-WHOLE host"]
    hole = kit().start().ask("08", "0004").ask("09", "0000010064").ask("09", "0002020064ffff", "03")
    assert hole.broken() == ["KIT-PRICE-WHOLE host"]
    check = kit().start().ask("08", "0004").ask("09", "00000400640064 00c8ffff").ask("0a", "1234", "03")
    assert check.broken() == ["KIT-PRICE-WHOLE host"]
    short = kit().start().ask("08", "0004").ask("09", "0000010064").ask("0a", "1234", "03")
    assert short.broken() == ["KIT-PRICE-WHOLE host"]
    grid = kit().start().ask("08", "0003", "03")
    assert grid.broken() == ["KIT-PRICE-WHOLE host"]


@pytest.mark.parametrize(
    ("credit", "vend", "broken"),
    [
        (100, "00000064", False),  # exactly the price
        (99, "00000064", True),
        (0xFFFFFFFF, "00000064", False),  # funds unknown
        (200, "00000065", True),  # not the price in force
        (200, "010000c8", False),
        (70000, "0101ffff", True),  # not for sale
        (200, "02000064", True),  # no such row
    ],
)
def test_sale_state(kit, credit, vend, broken):
    talk = kit().start().poll(3, credit).ask("06", vend, "03" if broken else "00")
    assert talk.broken() == (["KIT-SALE-STATE host"] if broken else [])


def test_no_second_vend_while_the_first_runs(kit):
    talk = kit().start().poll(3, 300).ask("06", "00000064").ask("06", "00000064", "05")
    assert talk.broken() == ["KIT-SALE-STATE host"]
    again = kit().start().poll(3, 300).ask("06", "00000064").poll(4, 200).poll(3, 200).ask("06", "00000064")
    assert again.broken() == []


def test_vend_said_again_counts_once(kit):
    talk = kit().start().poll(3, 100)
    talk.seq += 1
    talk.host("060700000064").host("060700000064", after=60).answer()
    assert talk.broken(subject="host") == []


@pytest.mark.parametrize(
    ("state", "event"),
    [(5, None), (6, None), (2, (1, 0x04, "01")), (2, (1, 0x06, "0101"))],
)
def test_lockout(kit, state, event):
    told = kit().start().poll(state, 100, [event] if event else [])
    assert "KIT-LOCKOUT host" in told.ask("06", "00000064", "06").broken()
    over = kit().start().poll(state, 100, [event] if event else []).poll(2, 100).ask("04").ask("06", "00000064")
    assert over.broken() == []
    assert over.verdict("KIT-LOCKOUT", "host").outcome == "pass"


def test_a_lockout_that_did_not_arrive_is_not_known(kit, answer_to_poll):
    talk = kit().start().poll(3, 100)
    talk.seq += 1
    talk.host("0307", after=95).answer(answer_to_poll(5, 100), wreck=True)
    talk.host("0307", after=60).answer(answer_to_poll(3, 100)).ask("06", "00000064")
    assert talk.broken(subject="host") == []


def test_bad_answers_change_nothing(kit, answer_to_poll):
    talk = kit().start()
    talk.seq += 1
    talk.host("0306", after=95).answer(answer_to_poll(3, 0), wreck=True)
    again = kit().start()
    again.seq, again.events, again.now = 6, list(talk.events), talk.now
    again.host("0306", after=55).answer(answer_to_poll(3, 0))
    assert again.verdict("KIT-BAD-INERT", "host").outcome == "pass"
    assert again.broken(subject="host") == []
    talk.poll(3, 0)
    assert talk.broken(subject="host") == ["KIT-BAD-INERT host"]


def test_shape_and_frames_of_the_host(kit):
    assert kit().start().ask("0b", "030000", "03").broken() == ["KIT-SHAPE host"]  # duty is 0 to 2
    assert kit().start().ask("55", "", "02").broken() == ["KIT-SHAPE host"]
    assert kit().start().ask("03", "00", "01").broken() == ["KIT-SHAPE host"]
    assert kit().start().host("0306", wreck=True).broken() == ["KIT-FRAME host"]
    assert kit().start().host("0306", cut=4).broken(end=20) == ["KIT-GAP host"]
    assert kit().start().host("0306", cut=4).broken(end=9) == []  # cut by the end


@pytest.mark.parametrize(("ms", "broken"), [(10, False), (10.001, True)])
def test_gap(kit, ms, broken):
    talk = kit().start()
    talk.seq += 1
    talk.host("0306", gap=ms)
    assert talk.broken(subject="host") == (["KIT-GAP host"] if broken else [])


def test_gap_is_unseen_where_bytes_come_in_lumps(kit):
    v = kit(chunks=True).start().verdict("KIT-GAP", "host")
    assert (v.outcome, v.why) == ("unseen", "words arrive in lumps here, so gaps inside a block are not measured")


def test_a_silent_subject_fails(kit):
    assert kit().broken(subject="host", end=100) == ["SYS-PRESENT host"]


def test_a_needless_escape_is_wrong_stuffing(kit):
    """RFC 1662 lets senders escape more; the kit link reference: flag and escape only, receivers undo any."""
    body = b"\x03\x63"
    check = CrcX25.calc(body).to_bytes(2, "little")
    def outcome(inner: bytes) -> str:
        wire = b"\x7e" + inner + b"\x7e"
        judge = Judge([LinkInfo("kit", "host", 6_250)], load_book(), rules=["KIT-FRAME"])
        judge.burst(Burst(0, len(wire) * 6_250, "kit", True, "host", tuple(wire)))
        judge.close(720_000)
        return next(v.outcome for v in judge.verdicts() if v.judged == "host")

    assert not {0x7E, 0x7D} & set(body + check)
    assert outcome(body + check) == "pass"
    assert outcome(b"\x03\x7d\x43" + check) == "fail"
