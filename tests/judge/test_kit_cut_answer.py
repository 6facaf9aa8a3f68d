"""An answer whose closing flag never came: its end is the silence after it (kit link reference: a gap of more than
10 ms drops the frame), also on ports where gaps inside a frame are not measured, and if the board lost its supply.
"""

import pytest


def talk_with_a_cut_answer(kit, wait, chunks, power_cut=False):
    talk = kit(doubt=3 if chunks else 0, chunks=chunks).start()
    talk.seq += 1
    talk.host(f"03{talk.seq:02x}", after=60)
    talk.board(f"83{talk.seq:02x}000300000000", cut=8)
    if power_cut:
        talk.wait(1).power("board", False)
        return talk.host(f"03{talk.seq:02x}", after=wait - 1).wait(200)
    return talk.host(f"03{talk.seq:02x}", after=wait).answer("000300000000" + "00")


@pytest.mark.parametrize("chunks", [False, True])
def test_a_host_that_waited_for_the_silence(kit, chunks):
    assert "KIT-WAIT host" not in talk_with_a_cut_answer(kit, 60, chunks).broken(subject="host")


@pytest.mark.parametrize("chunks", [False, True])
def test_a_host_that_did_not(kit, chunks):
    assert "KIT-WAIT host" in talk_with_a_cut_answer(kit, 2, chunks).broken(subject="host")


@pytest.mark.parametrize("chunks", [False, True])
@pytest.mark.parametrize(("ms", "broken"), [(16, False), (2, True)])
def test_a_board_that_lost_its_supply_in_it(kit, chunks, ms, broken):
    """The host cannot know: it waits for the silence, no longer."""
    assert ("KIT-WAIT host" in talk_with_a_cut_answer(kit, ms, chunks, power_cut=True).broken(subject="host")) == broken


@pytest.mark.parametrize("chunks", [False, True])
@pytest.mark.parametrize("cut", [1, 8])
def test_it_counts_when_the_host_gives_up_too(kit, chunks, cut):
    """The last of four tries: a lone flag, or half an answer, then silence."""
    talk = kit(doubt=1 if chunks else 0, chunks=chunks).start()
    talk.seq += 1
    for wait in (60, 60, 60, 60):
        talk.host(f"03{talk.seq:02x}", after=wait)
    talk.board(f"83{talk.seq:02x}000300000000", cut=cut).host(f"01{talk.seq + 1:02x}", after=15).wait(300)
    assert "KIT-WAIT host" not in talk.broken(subject="host")


@pytest.mark.parametrize("chunks", [False, True])
def test_a_flag_too_many_begins_no_answer(kit, chunks):
    """RFC 1662 allows flags between frames: after a whole answer, here a garbled one, another flag is rather its end."""
    talk = kit(doubt=1 if chunks else 0, chunks=chunks).start()
    talk.seq += 1
    talk.host(f"03{talk.seq:02x}", after=60).board(f"83{talk.seq:02x}000300000000", wreck=6)
    talk.board("", after=0, cut=1).host(f"03{talk.seq:02x}", after=1).answer("000300000000" + "00")
    assert "KIT-WAIT host" not in talk.broken(subject="host")


@pytest.mark.parametrize("chunks", [False, True])
@pytest.mark.parametrize(("ms", "broken"), [(15, False), (2, True)])
def test_two_in_a_row(kit, chunks, ms, broken):
    """The flag of the second ends the first, which began before the host's try before: the wait is for the second."""
    talk = kit(doubt=1 if chunks else 0, chunks=chunks).start()
    talk.seq += 1
    talk.host(f"03{talk.seq:02x}", after=60)
    for wait in (15, ms):
        talk.board(f"83{talk.seq:02x}000300000000", cut=8).host(f"03{talk.seq:02x}", after=wait)
    talk.answer("000300000000" + "00")
    assert ("KIT-WAIT host" in talk.broken(subject="host")) == broken
