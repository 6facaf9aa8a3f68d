"""A recording that begins between a question and its answer: who is heard first was asked before. One that begins
with its case was there from the start.
"""

import importlib.util
from pathlib import Path

import pytest

_spec = importlib.util.spec_from_file_location("bus_script", Path(__file__).with_name("bus_script.py"))
bus_script = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(bus_script)


@pytest.mark.parametrize("whole", [False, True])
def test_the_first_words_of_a_board(kit, whole):
    talk = kit(whole=whole).board("830600030000000000")
    talk.seq = 6
    talk.poll()
    assert ("KIT-QUIET board" in talk.broken()) == whole
    assert "KIT-QUIET board" in talk.board("830700030000000000").broken()


@pytest.mark.parametrize("whole", [False, True])
def test_the_first_words_of_a_device(whole):
    script = bus_script.Script()
    if whole:
        script.happen("case", "bench", name="x")
    script.answer("100").polls(2)
    assert ("BUS-MUTE changer" in script.broken()) == whole
    assert "BUS-MUTE changer" in script.wait(30).answer("100").broken()
