"""What a browser says to the page: only a place on a link and in time is taken for one."""

import json
from types import SimpleNamespace

import pytest

from benchsim.schema import load_book
from benchsim.settings import Settings
from benchsim.web.page import Page
from benchsim.web.stand import Stand


@pytest.fixture(scope="module")
def stand():
    made = Stand(Settings(), load_book(), 1)
    made.step(2.0)
    yield made
    made.close()


@pytest.mark.parametrize(
    ("said", "is_taken"),
    [
        ('{"link": "kit", "time": 1.0}', True),
        ('{"link": "kit", "time": 1e999}', False),
        ('{"link": "kit", "time": -1}', False),
        ('{"link": "kit", "time": "1"}', False),
        ('{"link": ["kit"], "time": 1.0}', False),
        ('{"link": "no", "time": 1.0}', False),
        ('[]', False),
    ],
)
def test_a_click_into_a_strip(stand, said, is_taken):
    page, told = object.__new__(Page), []
    page.stand, page.past, page.exchange_words = stand, None, SimpleNamespace(set=told.append)
    page._svg, page.said, page.refresh = SimpleNamespace(set_content=told.append), SimpleNamespace(set=told.append), lambda: None
    page._choose(json.loads(said))
    assert bool(told) is is_taken
