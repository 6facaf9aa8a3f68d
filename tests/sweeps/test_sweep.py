"""Sweeps through the command: broken off at any moment, on processes and on a cluster, always the same rows."""

import json
import random
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from benchsim.cli import run as benchsim
from benchsim.settings import Settings
from benchsim.sweeps.store import Store, about_of
from benchsim.sweeps.sweep import sweep
from benchsim.sweeps.work import jobs

ROOT = Path(__file__).parents[2]
DARK = "main-harness-open"  # a machine without supply: its visits are played fastest
VISITS = 500
WORDS = ["sweep", "--cards", DARK, "--seeds", str(VISITS), "--workers", "2"]


def _start(out):
    return subprocess.Popen(
        [sys.executable, "-m", "benchsim", *WORDS, "--out", str(out)], cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )  # fmt: skip


def _rows(out):
    with Store(out / "sweep.sqlite") as store:
        return store.about, [(r.job, r.chosen, r.seen) for r in store.results()]


def _count(out):
    if not (out / "sweep.sqlite").exists():
        return 0
    with Store(out / "sweep.sqlite") as store:
        return len(store.done())


def test_killed_at_random_moments_it_ends_as_if_undisturbed(tmp_path):
    """Ten times, each while rows come in: after so many more of them."""
    rng, out, killed = random.Random(11), tmp_path / "killed", 0
    for _ in range(10):
        running, enough = _start(out), _count(out) + rng.randint(1, 20)
        while running.poll() is None and _count(out) < enough:
            time.sleep(0.02)
        killed += running.poll() is None
        running.kill()
        running.wait()
    left = _count(out)
    assert killed == 10 and 10 <= left < VISITS
    assert _start(out).wait() == 0
    with Store(tmp_path / "whole.sqlite", about_of(Settings())) as store:
        assert sweep(Settings(), jobs([DARK], 0, VISITS), store, workers=1) == VISITS
        whole = store.about, [(r.job, r.chosen, r.seen) for r in store.results()]
    assert _rows(out) == whole


def _children(parent: int) -> list[str]:
    """Process ids whose parent that is (proc(5): the fourth field of stat, after the name in brackets)."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            if int(stat.read_text().rpartition(")")[2].split()[1]) == parent:
                found.append(stat.parent.name)
        except OSError:  # it has ended
            continue
    return found


def test_no_worker_outlives_its_parent(tmp_path):
    running = subprocess.Popen(
        [sys.executable, "-m", "benchsim", "sweep", "--cards", "healthy", "--seeds", "60", "--workers", "2", "--out", str(tmp_path)],
        cwd=ROOT, stdout=subprocess.DEVNULL,
    )  # fmt: skip
    children, until = [], time.monotonic() + 60
    while len(children) < 2 and time.monotonic() < until:
        children = _children(running.pid)
        time.sleep(0.2)
    running.kill()
    running.wait()
    until = time.monotonic() + 60
    while time.monotonic() < until and any(Path(f"/proc/{child}").exists() for child in children):
        time.sleep(0.2)
    assert children and not any(Path(f"/proc/{child}").exists() for child in children)


def test_a_cluster_gives_the_same_rows(tmp_path):
    distributed = pytest.importorskip("distributed")
    wanted = jobs([DARK, "board-off"], 0, 4)
    with Store(tmp_path / "here.sqlite") as here, Store(tmp_path / "there.sqlite") as there:
        sweep(Settings(), wanted, here, workers=1)
        with distributed.LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster:
            assert sweep(Settings(), wanted, there, cluster=cluster.scheduler_address) == 8
        assert list(there.results()) == list(here.results())


def test_no_cluster_there(tmp_path, capsys, monkeypatch):
    pytest.importorskip("distributed")
    monkeypatch.setattr("benchsim.sweeps.sweep.PATIENCE", 0.5)
    assert benchsim(["sweep", "--cards", DARK, "--seeds", "1", "--cluster", "tcp://127.0.0.1:9", "--out", str(tmp_path)]) == 2
    assert "expected a Dask scheduler there" in capsys.readouterr().err


@pytest.fixture(scope="module")
def swept(tmp_path_factory):
    out = tmp_path_factory.mktemp("swept")
    assert benchsim(["sweep", "--cards", "healthy,coin-jam,board-off", "--seeds", "3", "--workers", "1", "--out", str(out)]) == 0
    return out


def test_a_dictionary_and_a_page(swept):
    told = json.loads((swept / "dictionary.json").read_text())
    assert list(told["cards"]) == ["healthy", "coin-jam", "board-off"]
    assert told["distance"]["coin-jam"]["board-off"] == 1.0 and all(card["shows"] for card in told["cards"].values())
    page = (swept / "dictionary.html").read_text()
    assert "Coin jam in the acceptor" in page and page.count("<rect") == 9


def test_from_a_visit_to_a_diagnosis(swept, tmp_path, capsys):
    visit = str(tmp_path / "visit.pcapng")
    assert benchsim(["run", "--virtual", "--visit", "--fault", "coin-jam", "--seed", "77", "--save", visit]) == 0
    words = ["diagnose", visit, "--dictionary", str(swept / "dictionary.json")]
    capsys.readouterr()
    assert benchsim([*words, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["ranked"][0]["card"] == "coin-jam" and told["seen"]["sale.coins"] == "none"
    assert "device.changer" in {one["seen"] for one in told["evidence"]}
    assert benchsim(words) == 0
    assert "Coin jam in the acceptor" in capsys.readouterr().out


def test_what_somebody_saw(swept, capsys):
    words = ["diagnose", "--dictionary", str(swept / "dictionary.json"), "--json", "--seen"]
    assert benchsim([*words, "screen.ready=never"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["ranked"][0]["card"] == "board-off" and told["next"]
    assert benchsim([*words, "list"]) == 0
    assert "screen.ready" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["diagnose"], "expected a CAPTURE or --seen"),
        (["diagnose", "--seen", "screen.redy=never"], "one such as screen.ready"),
        (["diagnose", "--seen", "screen.ready=often"], "expected one of never, soon"),
        (["sweep", "--cards", "coin-jem"], "expected one such as coin-jam"),
    ],
)
def test_bad_words(swept, words, told, capsys, tmp_path):
    more = ["--dictionary", str(swept / "dictionary.json")] if words[0] == "diagnose" else ["--out", str(tmp_path)]
    assert benchsim([*words, *more]) == 2
    assert told in capsys.readouterr().err


def test_pairs_by_chance_are_always_the_same(tmp_path, monkeypatch):
    monkeypatch.setattr("benchsim.cli.sweep.PAIRS", 2)
    told = []
    for out in (tmp_path / "one", tmp_path / "other"):
        assert benchsim(["sweep", "--cards", "pairs", "--seeds", "1", "--workers", "1", "--out", str(out)]) == 0
        told.append(_rows(out)[1])
    assert told[0] == told[1] and [job.cards.count("+") for job, _, _ in told[0]] == [1, 1]


def test_another_bench_is_refused(swept, tmp_path, capsys):
    bench = tmp_path / "bench.toml"
    bench.write_text("[machine]\nrows = 2\n")
    assert benchsim(["sweep", str(bench), "--seeds", "1", "--cards", DARK, "--out", str(swept)]) == 2
    assert "holds a sweep with another bench" in capsys.readouterr().err


def test_no_database(tmp_path, capsys):
    (tmp_path / "sweep.sqlite").write_text("this is no database, but a text that is longer than its header")
    assert benchsim(["sweep", "--seeds", "1", "--cards", DARK, "--out", str(tmp_path)]) == 2
    assert "expected the database of a sweep" in capsys.readouterr().err
    assert sqlite3.sqlite_version


def test_faults_that_break_a_rule_are_found_shrunk_and_play_again(tmp_path, capsys):
    pytest.importorskip("hypothesis")
    words = ["--cards", "coil-jammed,rows-shorted", "--seeds", "10", "--out", str(tmp_path)]
    assert benchsim(["sweep", "--find", "sys-one-coil", *words]) == 1
    assert "SYS-ONE-COIL is broken by rows-shorted" in capsys.readouterr().out
    found = tmp_path / "breaks-SYS-ONE-COIL.toml"
    assert found.read_text().count("[[fault]]") == 1
    assert benchsim(["run", str(found), "--virtual", "--visit", "--json"]) == 1
    verdicts = json.loads(capsys.readouterr().out)["verdicts"]
    assert "SYS-ONE-COIL" in {v["rule"] for v in verdicts if v["outcome"] == "fail"}


def test_nothing_found(tmp_path, capsys):
    pytest.importorskip("hypothesis")
    words = ["--cards", "coil-jammed", "--seeds", "4", "--out", str(tmp_path)]
    assert benchsim(["sweep", "--find", "KIT-ONCE", *words]) == 0
    assert "Nothing found" in capsys.readouterr().out
    assert benchsim(["sweep", "--find", "KIT-TWICE", *words]) == 2
