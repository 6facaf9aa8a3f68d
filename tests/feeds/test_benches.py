"""`benchsim benches`, and commands that meet a live bench, at a real broker."""

import io
import json
import os
import signal
import subprocess
import sys
from contextlib import contextmanager

from rich.console import Console

from benchsim.cli.benches import table


@contextmanager
def start(*words, environ, cwd=None):
    """A program that ends with the test, however that ends."""
    with subprocess.Popen(
        [sys.executable, "-m", "benchsim", *words], cwd=cwd, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, **environ},
    ) as process:  # fmt: skip
        try:
            yield process
        finally:
            process.kill()


BENCH = '[feed]\nname = "left"\ncommands = true\n'


def command(**words):
    return json.dumps({"feed": 1, "kind": "command", **words})


def test_a_live_bench_obeys_outlives_its_broker_and_is_shown(at_broker, tmp_path, until):
    at = at_broker()
    seen = at.looker()
    (tmp_path / "bench.toml").write_text(BENCH)
    with start("run", "bench.toml", "--json", "--for", "100", "--mqtt", at.url, environ=at.environ, cwd=tmp_path) as live:
        seen.wait("progress")

        def orders(*wanted):
            for number, (fault, on) in enumerate(wanted, orders.said + 1):
                at.say("shop/left/command", command(do="fault", fault=fault, on=on, id=str(number)))
            answers = [seen.wait("answer", id=str(number)) for number in range(orders.said + 1, orders.said + len(wanted) + 1)]
            orders.said += len(wanted)
            return [(answer["done"], answer["says"]) for answer in answers]

        orders.said = 0
        cable = "kit-cable-unplugged"
        assert orders((cable, True), (cable, True)) == [(True, f"{cable} begins"), (False, f"{cable}: there already")]
        until(lambda: seen.of("progress")[-1]["at"].startswith(f"{cable}@"), "the fault among those that last")
        assert orders((cable, False), (cable, False)) == [(True, f"{cable} ends"), (False, f"{cable}: was not begun by command")]
        for done, says in orders(("no-such", True), ("host-off@3", True), ("host-off+3", True), ("coil-jammed:row=99", True)):
            assert not done and "expected" in says and "--" not in says
        at.stop(signal.SIGKILL)
        lines = (line for line in live.stderr if "feed:" in line)
        assert "is lost" in next(lines)
        at.start()
        assert "is there now" in next(lines)
        with start("benches", "--mqtt", at.url, "--json", environ=at.environ) as watching:
            row = json.loads(watching.stdout.readline())
            assert (row["bench"], row["state"] in (None, "running")) == ("left", True)
            at.say("shop/left/command", command(do="stop"))
            out, err = live.communicate(timeout=60)
            rows = (json.loads(line) for line in watching.stdout)
            assert next(row for row in rows if row["state"] == "ended")["outcome"] in ("pass", "unsure")
    assert live.returncode in (0, 3), err  # a busy computer may leave it unsure
    assert json.loads(out)["summary"]["fail"] == 0
    assert seen.wait("status", state="ended")["stopped"] is False
    told = [message["says"] for message in seen.of("event") if cable in message["says"]]
    assert told == [f"fault {cable} begins", f"fault {cable} ends"]


def test_plain_lines_and_a_broker_that_is_not_there(at_broker):
    at = at_broker()
    at.say("shop/left/status", "not a message", retain=True)
    with start("benches", "--mqtt", at.url, environ=at.environ) as watching:
        assert "shop/left/status: no JSON" in watching.stderr.readline()
    with start("benches", "--mqtt", at.url, "--for", "0", environ=at.environ) as watching:
        assert (watching.communicate(timeout=60)[0], watching.returncode) == ("", 0)
    at.stop()
    with start("benches", "--mqtt", at.url, environ=at.environ) as watching:
        out, err = watching.communicate(timeout=60)
        assert (watching.returncode, out) == (2, "") and err == f"benchsim: --mqtt {at.url}: connection refused\n"


def test_the_table_tells_everything_in_words_and_obeys_nothing():
    row = dict.fromkeys(("run", "outcome", "stopped", "commands", "seats", "event", "total", "subject"))
    row |= {"bench": "left", "state": "lost", "doing": "run", "title": "\x1b[31mred", "done": 3.5, "unit": "seconds", "missed": 2,
            "at": "kit-cut", "standing": {"fail": 1, "pass": 30}, "broken": ["KIT-WAIT at host in live", "BUS-ACK at board in live"]}  # fmt: skip
    drawn = io.StringIO()
    Console(file=drawn, width=200).print(table([row], "mqtt://shop:1883/x", "away"))
    told = drawn.getvalue()
    for words in ("left", "lost without a word", "3.5 s, 2 messages missed", "1 fail, 30 pass", "BUS-ACK at board in live and 1 more", "kit-cut", "away"):
        assert words in told, told
    assert "\x1b[31m" not in told and "\\x1b[31mred" in told
