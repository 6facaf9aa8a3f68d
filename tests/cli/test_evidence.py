"""`benchsim judge` and `benchsim decode` as a user runs them, over captures made here."""

import json
import subprocess
import sys
from contextlib import redirect_stderr, redirect_stdout
from hashlib import sha256
from io import StringIO
from pathlib import Path
from xml.etree import ElementTree

import pytest

from benchsim.captures import open_writer
from benchsim.cli import run
from benchsim.events import Burst, Happening, LinkInfo

ROOT = Path(__file__).parents[2]
BUS = LinkInfo("bus", "board", 82_500)
MS = 72_000  # ticks


def benchsim(*arguments) -> subprocess.CompletedProcess:
    """In this process: one start of the interpreter for all of them."""
    told, errors = StringIO(), StringIO()
    with redirect_stdout(told), redirect_stderr(errors):
        status = run([str(argument) for argument in arguments])
    return subprocess.CompletedProcess(arguments, status, told.getvalue(), errors.getvalue())


def polls(answers_after: list[float], start: int = 0):
    """POLL of the changer every 100 ms, ACKed after so many ms (MDB/ICP 4.3 §3: 5 ms at most)."""
    for number, wait in enumerate(answers_after):
        at = start + number * 100 * MS
        yield Burst(at, at + 165_000, "bus", True, "board", (0x10B, 0x00B))
        answer = at + 165_000 + round(wait * MS)
        yield Burst(answer, answer + 82_500, "bus", False, "changer", (0x100,))


def write(path: Path, events, links=(BUS,)) -> Path:
    with open_writer(path, list(links)) as writer:
        for event in events:
            (writer.burst if isinstance(event, Burst) else writer.happening)(event)
    return path


def verdict(done: subprocess.CompletedProcess, rule: str, seat: str) -> dict:
    (found,) = [v for v in json.loads(done.stdout)["verdicts"] if (v["rule"], v["judged"]) == (rule, seat)]
    return found


@pytest.mark.parametrize("suffix", [".pcapng", ".csv", ".vcd"])
def test_a_late_answer_fails_in_every_format(tmp_path, suffix):
    path = write(tmp_path / f"late{suffix}", polls([3, 3, 6, 3]))
    done = benchsim("judge", path, "--json")
    assert done.returncode == 1, done.stderr
    found = verdict(done, "BUS-ANSWER", "changer")
    assert (found["outcome"], found["broken"], found["checked"]) == ("fail", 1, 4)
    assert abs(found["worst"] - 6) <= 0.03 and found["limit"] == [None, 5.0]  # a CSV has only the starts of words
    # Third POLL at 200 ms, two words of 1.1458 ms, 6 ms: 208.2917 ms.
    assert abs(found["at"][0]["time_s"] - 0.2082917) < 2e-6


@pytest.mark.parametrize(
    "suffix, wait, outcome, status",
    [
        # CSV: the word may be 2 % slow, 23.4 us, so that 5 ms +- 23.4 us cannot be told from the limit.
        (".csv", 4.990, "unsure", 3), (".csv", 5.010, "unsure", 3), (".csv", 4.97, "pass", 0), (".csv", 5.03, "fail", 1),
        # VCD with edges to 1 us: 3.2 us at most (two edges, and 2.2 us of a word's length).
        (".vcd", 4.999, "unsure", 3), (".vcd", 5.001, "unsure", 3), (".vcd", 4.996, "pass", 0), (".vcd", 5.005, "fail", 1),
        # pcapng of the bench itself: exact, and at the limit is legal.
        (".pcapng", 5, "pass", 0), (".pcapng", 5.0001, "fail", 1),
    ],
)  # fmt: skip
def test_guard_band(tmp_path, suffix, wait, outcome, status):
    """JCGM 106:2012 §8: nearer to the limit than its doubt, a time is neither accepted nor rejected."""
    done = benchsim("judge", write(tmp_path / f"near{suffix}", polls([3, 3, wait, 3])), "--json")
    assert verdict(done, "BUS-ANSWER", "changer")["outcome"] == outcome
    assert done.returncode == status


def test_the_users_own_word_for_the_doubt(tmp_path):
    path = write(tmp_path / "near.pcapng", polls([3, 3, 5.2, 3]))
    assert benchsim("judge", path).returncode == 1
    done = benchsim("judge", path, "--uncertainty", "0.5", "--json")
    found = verdict(done, "BUS-ANSWER", "changer")
    assert (found["outcome"], found["uncertainty"]) == ("unsure", 0.5)
    (link,) = json.loads(done.stdout)["links"]
    assert (link["link"], link["uncertainty_ms"]) == ("bus", 0.5) and "sample" in link["better"]


def test_about_stands_in_json_and_report_and_out_is_written(tmp_path):
    path, image, out = write(tmp_path / "run.pcapng", polls([3, 3, 3])), tmp_path / "kit.img", tmp_path / "out"
    image.write_bytes(b"firmware")
    more = ["--about", f"image=@{image}", "--about", "operator=day shift", "--about", "place=line 3 <left>"]
    done = benchsim("judge", path, *more, "--out", out, "--json")
    assert done.returncode == 0, done.stderr
    about = json.loads(done.stdout)["about"]
    assert about["image"] == f"kit.img, SHA-256 {sha256(b'firmware').hexdigest()}"
    assert about["capture"] == f"run.pcapng, SHA-256 {sha256(path.read_bytes()).hexdigest()}"
    assert (about["operator"], about["place"]) == ("day shift", "line 3 <left>")
    assert json.loads((out / "verdicts.json").read_text())["about"] == about
    assert "line 3 &lt;left&gt;" in (out / "report.html").read_text("utf-8")
    assert ElementTree.parse(out / "junit.xml").getroot().tag == "testsuites"
    assert str(tmp_path) not in (out / "verdicts.json").read_text()


def test_what_the_changer_said_of_itself_stands_in_the_json(tmp_path):
    """IDENTIFICATION (0F 00) answered by hand: maker, serial, model as text, software 01.00, features; sum by hand."""
    data = b"XYZ" + b"000000000042" + b"MODEL-ONE   " + bytes.fromhex("0100 00000003")
    words = (*data, 0x100 | sum(data) & 0xFF)
    events = [
        *polls([3]),
        Burst(100 * MS, 100 * MS + 3 * 82_500, "bus", True, "board", (0x10F, 0x00, 0x0F)),
        Burst(104 * MS, 104 * MS + len(words) * 82_500, "bus", False, "changer", words),
        Burst(150 * MS, 150 * MS + 82_500, "bus", True, "board", (0x000,)),
    ]
    done = benchsim("judge", write(tmp_path / "run.pcapng", events), "--json")
    assert "maker XYZ, model MODEL-ONE, serial 000000000042" in json.loads(done.stdout)["about"]["changer"]


@pytest.mark.parametrize(
    "arguments, words",
    [
        (["--about", "nothing"], ["--about nothing", "KEY=TEXT"]),
        (["--about", "a=1", "--about", "a=2"], ["a is given twice"]),
        (["--about", "image=@none.img"], ["none.img", "no such file"]),
        (["--test", "nobody"], ["nobody", "expected one of host"]),
        (["--case", "nope"], ["--case nope", "capture"]),
        (["--out", ROOT / "README.md"], ["README.md", "expected a folder"]),
        (["--line", "bus_out"], ["bus_out", "NAME=SIGNAL"]),
        (["--uncertainty", "-1"], ["uncertainty"]),
    ],
)
def test_bad_usage_is_one_line(tmp_path, arguments, words):
    done = benchsim("judge", write(tmp_path / "run.pcapng", polls([3])), *arguments)
    assert (done.returncode, done.stdout, len(done.stderr.splitlines())) == (2, "", 1), done.stderr
    for word in words:
        assert word in done.stderr


def test_only_the_seat_that_is_asked_for(tmp_path):
    done = benchsim("judge", write(tmp_path / "run.pcapng", polls([3, 6])), "--test", "board", "--json")
    assert {v["judged"] for v in json.loads(done.stdout)["verdicts"]} == {"board"}
    assert done.returncode == 0


def test_plain_is_ascii(tmp_path):
    path = write(tmp_path / "run.pcapng", polls([3, 6, 3]))
    done = subprocess.run(
        [sys.executable, "-m", "benchsim", "judge", str(path), "--plain"], cwd=ROOT, capture_output=True, timeout=120
    )
    assert done.returncode == 1 and b"\x1b" not in done.stdout
    assert b"FAIL" in done.stdout and done.stdout.decode("ascii")


def test_cases_are_judged_each_from_its_own_start_and_can_be_picked(tmp_path):
    """The second case begins at 10 s; its late answer is told at its own 8.29 ms (2 words, 6 ms)."""
    start = 10_000 * MS
    mark = {"provokes": "x", "subject": "changer"}
    events = [
        Happening(0, "bench", "case", mark | {"name": "one"}), *polls([3, 3]),
        Happening(start, "bench", "case", mark | {"name": "two"}), *polls([6, 3], start),
    ]  # fmt: skip
    path = write(tmp_path / "run.pcapng", events)
    found = {v["case"]: v for v in json.loads(benchsim("judge", path, "--json").stdout)["verdicts"]
             if v["rule"] == "BUS-ANSWER"}  # fmt: skip
    assert {case: v["outcome"] for case, v in found.items()} == {"one": "pass", "two": "fail"}
    assert abs(found["two"]["at"][0]["time_s"] - 0.0082917) < 1e-6
    picked = benchsim("judge", path, "--json", "--case", "one")
    assert {v["case"] for v in json.loads(picked.stdout)["verdicts"]} == {"one"} and picked.returncode == 0


def test_times_since_1970_count_from_the_first_packet(tmp_path):
    """1,767,600,000 s after 1970 is 2026-01-05 08:00:00 UTC (by a calendar)."""
    path = write(tmp_path / "site.pcapng", polls([3, 6], 1_767_600_000 * 1000 * MS))
    done = benchsim("judge", path, "--json")
    assert abs(verdict(done, "BUS-ANSWER", "changer")["at"][0]["time_s"] - 0.1082917) < 1e-6
    assert json.loads(done.stdout)["duration_s"] < 1
    assert "2026-01-05 08:00:00.000000 UTC" in benchsim("judge", path, "--out", tmp_path / "o").stdout + (
        tmp_path / "o" / "report.html"
    ).read_text("utf-8")


def rename(text: str, names: dict[str, str]) -> str:
    for ours, theirs in names.items():
        text = text.replace(f" {ours} $end", f" {theirs} $end")
    return "".join(line for line in text.splitlines(True) if "link=" not in line)


def test_a_logic_analysers_own_names(tmp_path):
    path = write(tmp_path / "site.vcd", polls([3, 3, 6]))
    path.write_text(rename(path.read_text(), {"bus_out": "D0", "bus_in": "D1"}))
    assert benchsim("judge", path).returncode == 2
    done = benchsim("judge", path, "--line", "bus_out=D0", "--line", "bus_in=D1", "--json")
    assert (done.returncode, verdict(done, "BUS-ANSWER", "changer")["broken"]) == (1, 1)
    assert verdict(done, "BUS-RATE", "changer")["outcome"] == "pass"


@pytest.mark.parametrize("missing, heard", [("bus_in", "board"), ("bus_out", "")])
def test_with_one_wire_missing_nobody_is_accused_of_what_was_not_heard(tmp_path, missing, heard):
    path = write(tmp_path / "half.vcd", polls([3] * 400))  # 40 s: far beyond every non-response time
    path.write_text(rename(path.read_text(), {missing: "elsewhere"}))
    done = benchsim("judge", path, "--json", "--all")
    document = json.loads(done.stdout)
    assert document["summary"]["fail"] == 0 and f"{missing} was not recorded" in done.stderr
    passed = {v["rule"] for v in document["verdicts"] if v["outcome"] == "pass"}
    assert ("BUS-SUM-OUT" in passed) == bool(heard)
    for found in document["verdicts"]:
        if found["rule"] in ("BUS-SILENT", "BUS-PATIENCE", "BUS-MUTE", "BUS-ANSWER"):
            assert found["outcome"] == "unseen" and missing in found["why"]


def test_too_coarse_a_recording_is_refused(tmp_path):
    """At 20 kHz a bit of 104 us has two samples."""
    path = write(tmp_path / "site.vcd", polls([3] * 30))
    lines = path.read_text().splitlines(True)
    coarse = [f"#{int(line[1:]) // 50 * 50}\n" if line.startswith("#") else line for line in lines]
    path.write_text("".join(coarse))
    done = benchsim("judge", path)
    assert (done.returncode, len(done.stderr.splitlines())) == (2, 1)
    assert "sampled every 50 us" in done.stderr and "a bit lasts 104 us" in done.stderr


def test_decode_draws_one_exchange_with_its_limit(tmp_path):
    path, svg = write(tmp_path / "run.pcapng", polls([3, 6, 3])), tmp_path / "exchange.svg"
    done = benchsim("decode", path, "--at", "0.1", "--svg", svg)
    assert done.returncode == 0, done.stderr
    # Two words of 1.1458 ms; 5 ms later the limit, 6 ms later the answer.
    for line in ("0.000 ms  board: 10B", "1.146 ms  board: 00B", "7.292 ms  -- within 5 ms", "8.292 ms  changer: 100"):
        assert line in done.stdout, done.stdout
    picture = ElementTree.parse(svg).getroot()
    assert picture.tag == "{http://www.w3.org/2000/svg}svg"
    assert [e for e in picture.iter() if e.get("class") == "limit"]
    assert "1 ms too late" in "".join(picture.itertext())


@pytest.mark.parametrize(
    "arguments, words",
    [
        (["--at", "90"], ["--at 90", "nothing was said"]),
        (["--svg", "x.svg"], ["--svg", "--at"]),
        (["--at", "0.1", "--svg", "/nowhere/x.svg"], ["/nowhere/x.svg"]),
    ],
)
def test_bad_usage_of_decode_is_one_line(tmp_path, arguments, words):
    done = benchsim("decode", write(tmp_path / "run.pcapng", polls([3, 3])), *arguments)
    assert (done.returncode, len(done.stderr.splitlines())) == (2, 1), done.stderr
    for word in words:
        assert word in done.stderr


def test_decode_as_json(tmp_path):
    done = benchsim("decode", write(tmp_path / "run.pcapng", polls([3])), "--json")
    told = [json.loads(line) for line in done.stdout.splitlines()]
    assert [(one["link"], one["sender"]) for one in told] == [("bus", "board"), ("bus", "changer")]
    assert "POLL" in told[0]["text"] and abs(told[1]["time_s"] - 0.0052917) < 1e-7


def test_decode_tells_what_was_cut(tmp_path):
    path = write(tmp_path / "run.pcapng", polls([3, 3]))
    path.write_bytes(path.read_bytes()[:-7])
    done = benchsim("decode", path)
    assert done.returncode == 0 and "cut at the end" in done.stderr and len(done.stdout.splitlines()) == 3
