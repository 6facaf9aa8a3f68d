"""The book of drills: nothing is lost, progress and confusions are counted right; `benchsim drill` as it is used."""

import io
import subprocess
import sys

import pytest

from benchsim.drills.book import Book, opened
from benchsim.drills.drill import Drill, Step
from benchsim.errors import UsageError
from benchsim.sweeps.diagnose import Model
from benchsim.sweeps.dictionary import Dictionary

RUNS = {"healthy": 10, "changer-unplugged": 10, "validator-unplugged": 10}
SEEN = {
    "healthy": {"device.changer": {"ready": 10}, "device.validator": {"ready": 10}},
    "changer-unplugged": {"device.changer": {"never told": 10}, "device.validator": {"ready": 10}},
    "validator-unplugged": {"device.changer": {"ready": 10}, "device.validator": {"never told": 10}},
}


def begun(hidden="changer-unplugged"):
    seen = {name: next(iter(values)) for name, values in SEEN[hidden].items()}
    return Drill(Model(RUNS, SEEN, 10), lambda left: seen, (hidden,), 60.0)


def ended(book, nickname, hidden, named):
    drill = begun(hidden)
    number = book.begin(nickname, "first day", None, book.next_seed(nickname), drill)
    for step in (Step("look", "device"), Step("name", named)):
        drill.take(step)
        book.keep(number, drill)
    return number


def test_a_drill_that_was_left_goes_on_step_by_step(tmp_path):
    drill = begun()
    with opened(tmp_path / "book.sqlite") as book:
        number = book.begin("ida", "first day", 2, 7, drill)
        drill.take(Step("look", "device"))
        drill.take(Step("confirm", "validator-unplugged", False))
        book.keep(number, drill)
    with opened(tmp_path / "book.sqlite") as book:  # another day
        entry = book.open_one("ida")
        assert entry[:6] == (number, "ida", "first day", 2, 7, False)
        assert entry.steps == [Step("look", "device"), Step("confirm", "validator-unplugged", False)]
        assert book.open_one("otto") is None


def test_progress_and_confusions(tmp_path):
    with opened(tmp_path / "book.sqlite") as book:
        ended(book, "ida", "changer-unplugged", "changer-unplugged")
        ended(book, "ida", "changer-unplugged", "validator-unplugged")
        ended(book, "otto", "validator-unplugged", "changer-unplugged")
        ended(book, "otto", "changer-unplugged", "validator-unplugged")
        assert book.progress() == {"ida": {"bus wiring": (2, 1, 50.0)}, "otto": {"bus wiring": (2, 0, 0.0)}}
        assert book.confusions() == [
            ("changer-unplugged", "validator-unplugged", 2), ("validator-unplugged", "changer-unplugged", 1),
        ]  # fmt: skip
        assert book.next_seed("ida") == 3 and book.next_seed("new") == 1
        stream = io.StringIO()
        book.export(stream)
    lines = stream.getvalue().splitlines()
    assert lines[0].startswith("number,nickname,name") and len(lines) == 5
    assert lines[1].startswith("1,ida,first day,,1,0,changer-unplugged,changer-unplugged,100,1.0,1.0,0,0")


@pytest.mark.parametrize("nickname", ["", "  ", "a" * 31, "a\nb"])
def test_nicknames(tmp_path, nickname):
    with opened(tmp_path / "book.sqlite") as book, pytest.raises(UsageError, match="expected 1 to 30 printable"):
        book.begin(nickname, "first day", None, 1, begun())


def test_no_other_file_is_taken_for_a_book(tmp_path):
    path = tmp_path / "letter.txt"
    path.write_text("dear all" * 200)
    with pytest.raises(UsageError, match=r"letter\.txt: expected a book of drills or a new file"):
        Book(path)
    assert path.read_text() == "dear all" * 200


def drilled(folder, *words, said=""):
    command = [sys.executable, "-m", "benchsim", "drill", "--book", "book.sqlite", *words]
    return subprocess.run(command, input=said, capture_output=True, text=True, timeout=300, cwd=folder, check=False)


def test_a_whole_drill_in_a_terminal_left_and_gone_on(tmp_path):
    Dictionary({"seeds": "by hand"}, RUNS, SEEN, 10.0).save(tmp_path / "dictionary.json")
    words = ("--dictionary", "dictionary.json", "--as", "ida", "--seed", "3")
    first = drilled(tmp_path, *words, said="l device\nx\nl sky\nc changer-unplugged\nb\nq\n")
    assert first.returncode == 0 and "Traceback" not in first.stderr
    assert "expected l WAY, c CARD" in first.stdout and "look sky: expected one of" in first.stdout
    assert "CAUTION" in first.stdout and "It goes on with: benchsim drill --as ida" in first.stdout
    missing = "changer-unplugged" if "changer: never told" in first.stdout else "validator-unplugged"
    second = drilled(tmp_path, *words, said=f"n {missing}\n")
    assert "goes on where it was left" in second.stdout and "changer: " in second.stdout
    assert "100 points. Right." in second.stdout and f"--fault {missing}" in second.stdout
    third = drilled(tmp_path, "--mentor", "--export", "all.csv")
    assert "1 of 1 right, 100 points" in third.stdout
    assert len((tmp_path / "all.csv").read_text().splitlines()) == 2


@pytest.mark.parametrize("words, told", [
    (("--set", "sports"), "--set sports: expected one of first day, "),
    (("--dictionary", "none.json"), "none.json: cannot be read"),
    (("--level", "9"), "--level"),
])  # fmt: skip
def test_wrong_words(tmp_path, words, told):
    done = drilled(tmp_path, *words)
    assert done.returncode == 2 and told in done.stderr and "Traceback" not in done.stderr
