"""`--mqtt` of run and check as a user gives it: what arrives at a real broker, and that nothing else changes."""

import json
import os
import signal
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import pytest

LIVE = ["run", "--virtual", "--for", "12", "--press", "c@7", "--press", "t@8", "--out", "out", "--json"]
KEPT = {"status", "seats", "progress"}


def benchsim(*words, environ=None, cwd=None):
    return subprocess.run(
        [sys.executable, "-m", "benchsim", *words], cwd=cwd, capture_output=True, text=True, timeout=120,
        env={**os.environ, **(environ or {})},
    )  # fmt: skip


def live(folder, *more, environ=None):
    """A live bench that writes to `folder`: what it did, and its files."""
    done = benchsim(*LIVE, *more, environ=environ, cwd=folder)
    return done, (done.returncode, done.stdout, {path.name: path.read_bytes() for path in (folder / "out").iterdir()})


@pytest.fixture(scope="module")
def untold(tmp_path_factory):
    """The same run without a feed: exit status, JSON, and the bytes of capture and reports."""
    return live(tmp_path_factory.mktemp("untold"))[1]


def feed_lines(done):
    return [line for line in done.stderr.splitlines() if "feed:" in line]


@pytest.mark.parametrize("tls", [False, True])
def test_everything_arrives_in_order_and_the_run_is_the_same(at_broker, tls, tmp_path, untold):
    at = at_broker(tls)
    seen = at.looker()
    done, left = live(tmp_path, "--mqtt", at.url, environ=at.environ)
    assert left == untold
    assert not feed_lines(done)
    assert seen.wait("status", state="ended")["outcome"] == "pass"

    messages = seen.all()
    assert {message["kind"] for *_, message in messages} == {"status", "seats", "progress", "links", "verdicts", "event"}
    for _, topic, message in messages:
        assert topic == f"shop/{message['bench']}/{message['kind']}"
    assert len({message["run"] for *_, message in messages}) == 1
    numbers = [message["number"] for *_, message in messages if "number" in message]
    assert numbers == list(range(1, len(numbers) + 1))

    links = seen.of("links")
    assert [message["time_s"] for message in links] == list(range(1, 12))  # each second of bench time
    for before, after in zip(links, links[1:], strict=False):
        for name, traffic in after["links"].items():
            assert traffic["rate"] == traffic["words"] - before["links"][name]["words"]
    final = [message for message in seen.of("verdicts") if message["final"]]
    told = [v for v in json.loads(untold[1])["verdicts"] if v["outcome"] != "unseen"]
    assert [message["verdicts"] for message in final] == [told]

    late = at.looker("late")
    late.wait("status")
    late.wait("seats")
    late.wait("progress")
    assert {(retained, message["kind"]) for retained, _, message in late.all()} == {(True, kind) for kind in KEPT}


HOST = f"{sys.executable} {Path(__file__).parents[2]}/fixtures/sample_host/host.py {{kit}} {{panel}}"
CHECKS = {
    "simulated": ["--test", "changer", "--case", "polling", "--case", "resets"],
    "a program": ["--test", "host", "--case", "start-up", "--exec", HOST],
}


@pytest.mark.parametrize("how", CHECKS)
def test_a_check_tells_each_case(at_broker, how):
    at = at_broker()
    seen = at.looker()
    done = benchsim("check", *CHECKS[how], "--json", "--mqtt", at.url, environ=at.environ)
    assert done.returncode in ((0,) if how == "simulated" else (0, 3)), done.stderr  # a busy computer may be unsure
    document = json.loads(done.stdout)
    status = seen.wait("status", state="ended")
    said = ("check", document["subject"], document["outcome"], 0)
    assert (status["doing"], status["subject"], status["outcome"], status["missed"]) == said
    cases = [word for before, word in pairwise(CHECKS[how]) if before == "--case"]
    assert [message["case"] for message in seen.of("links")] == cases
    told = [verdict for message in seen.of("verdicts") for verdict in message["verdicts"]]
    assert told == [v for v in document["verdicts"] if v["outcome"] != "unseen"]
    last = seen.of("progress")[-1]
    assert (last["done"], last["total"], last["unit"]) == (len(cases), len(cases), "cases")
    assert {name: last["standing"].get(name, 0) for name in document["summary"]} == document["summary"]


def test_a_sweep_tells_how_far_it_is(at_broker, tmp_path):
    at = at_broker()
    seen = at.looker()
    done = benchsim("sweep", "--cards", "coil-jammed", "--seeds", "2", "--mqtt", at.url, environ=at.environ, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert seen.wait("status", state="ended")["doing"] == "sweep"
    last = seen.of("progress")[-1]
    assert (last["done"], last["total"], last["unit"]) == (2, 2, "runs")


def test_a_search_tells_how_far_it_is(at_broker, tmp_path):
    at = at_broker()
    seen = at.looker()
    words = ["--find", "KIT-ONCE", "--cards", "coil-jammed", "--test", "host", "--seeds", "4"]
    done = benchsim("sweep", *words, "--mqtt", at.url, environ=at.environ, cwd=tmp_path)
    assert done.returncode == 0 and "Nothing found" in done.stdout, done.stderr
    status = seen.wait("status", state="ended")
    assert (status["doing"], status["subject"], status["stopped"]) == ("sweep", "host", False)
    last = seen.of("progress")[-1]
    assert (last["done"], last["total"], last["unit"]) == (4, 4, "runs")


WRONG = {
    "broker down": (lambda at: at.stop(), {}, "connection refused"),
    "broker that answers nothing": (lambda at: at.stop(signal.SIGSTOP), {}, "did not take the last"),
    "password wrong": (lambda at: None, {"BENCHSIM_MQTT_PASSWORD": "guessed"}, "user or password is refused"),
    "no password": (lambda at: None, {"BENCHSIM_MQTT_USER": "", "BENCHSIM_MQTT_PASSWORD": ""}, "user or password is refused"),
    "nobody vouches": (lambda at: None, {"BENCHSIM_MQTT_CA": ""}, "certificate verify failed"),
}


@pytest.mark.parametrize("wrong", WRONG)
def test_a_broker_that_fails_costs_a_line_and_changes_nothing(at_broker, wrong, tmp_path, untold):
    break_it, environ, words = WRONG[wrong]
    at = at_broker(tls=wrong == "nobody vouches")
    break_it(at)
    done, left = live(tmp_path, f"--mqtt={at.url}", environ=at.environ | environ)
    assert left == untold
    (line,) = feed_lines(done)
    assert words in line and at.url in line
