"""`benchsim` as a user runs it: one process, its output and its exit status."""

import json
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
HOST = "python3 fixtures/sample_host/host.py {kit} {panel}"
FAULTY = "python3 fixtures/sample_host/faulty.py %s {kit} {panel}"


def benchsim(*arguments: str, **more) -> subprocess.CompletedProcess:
    return subprocess.run(
        [sys.executable, "-m", "benchsim", *arguments], cwd=ROOT, capture_output=True, text=True, timeout=120, **more
    )


def one_line(done: subprocess.CompletedProcess, *words: str) -> None:
    assert done.returncode == 2
    assert done.stdout == ""
    assert len(done.stderr.splitlines()) == 1, done.stderr
    for word in words:
        assert word in done.stderr


def failed(done: subprocess.CompletedProcess) -> dict[str, dict]:
    document = json.loads(done.stdout)
    return {v["rule"]: v for v in document["verdicts"] if v["outcome"] == "fail"}


def test_json_is_one_document_of_the_promised_shape():
    done = benchsim("check", "--case", "demo", "--json")
    assert done.returncode == 0
    document = json.loads(done.stdout)
    assert set(document) == {
        "tool", "subject", "seed", "duration_s", "frames", "verdicts", "selftest", "legal", "waivers", "golden", "about",
        "links", "summary", "outcome",
    }  # fmt: skip
    assert document["tool"]["name"] == "benchsim" and document["outcome"] == "pass"
    assert set(document["summary"]) == {"pass", "fail", "unsure", "unseen", "warn"}
    for verdict in document["verdicts"]:
        assert set(verdict) == {
            "rule", "judged", "outcome", "checked", "broken", "worst", "limit", "unit", "margin", "uncertainty",
            "confidence", "source", "why", "case", "at",
        }  # fmt: skip
        assert (verdict["why"] is not None) == (verdict["outcome"] == "unseen")
    judged = {v["judged"] for v in document["verdicts"]}
    assert {"host", "board", "changer", "validator", "cashless1", "panel"} <= judged


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["check", "--nope"], ["--nope"]),
        (["check", "none.toml"], ["none.toml", "No such file"]),
        (["check", "--case", "nope"], ["nope", "no-vend", "benchsim seats"]),
        (["check", "--test", "nobody"], ["nobody", "host"]),
        (["check", "--test", "host", "--exec", "no-such-program {kit}"], ["no-such-program"]),
        (["check", "--test", "host", "--exec", "sleep 1 {nope}"], ["{nope}", "{kit}"]),
        (["check", "--test", "host", "--exec", "'"], ["--exec"]),
        (["check", "--exec", "sleep 1 {kit}"], ["--test"]),
        (["check", "--seed", "x"], ["--seed"]),
        (["judge", "none.pcapng"], ["none.pcapng"]),
        (["judge", "README.md"], ["README.md"]),
        (["decode"], ["--hex"]),
        (["decode", "--hex", "10B ZZ"], ["ZZ"]),
        (["rules", "NO-SUCH"], ["NO-SUCH"]),
    ],
)
def test_bad_usage_is_one_line_and_status_2(arguments, words):
    one_line(benchsim(*arguments), *words)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("seed = ", ["TOML"]),
        ("sead = 1", ["sead", "seed"]),
        ("[machine]\nrows = 99", ["machine.rows"]),
        ("[machine]\nrows = 'x'", ["machine.rows", "a whole number"]),
        ("[machine]\nprices = [[1, 2]]", ["machine.prices"]),
        ("[machine]\nprice = 100\nprices = [[1, 2]]", ["machine", "price or prices"]),
        ("[seats.nobody]\nlevel = 1", ["seats.nobody"]),
        ("[machine]\ncold = 3", ["machine.cold", "a table"]),
        ("[machine.cold]\nduty = 'food'", ["machine.cold", "duty", "'perishable'"]),
        ("[machine.cold]\nset_point = 99", ["machine.cold", "set_point", "-20 to 20"]),
        ("[machine.supply]\nvolt = 34", ["machine.supply", "'volt'", "volts"]),
        ("[machine.supply]\nohms = nan", ["machine.supply", "ohms", "0 to 100 ohm"]),
        ("[machine.wiring]\nopen_rows = [6]", ["machine.wiring", "open_rows", "0 to 5", "6"]),
        ("[machine.wiring]\nswapped_columns = [1, 2]", ["machine.wiring", "swapped_columns", "[[0, 1]]"]),
        ("[seats.changer]\nlevle = 1", ["changer", "levle"]),
    ],
)
def test_a_bad_bench_file_is_one_line_that_names_file_and_key(tmp_path, text, words):
    path = tmp_path / "b.toml"
    path.write_text(text)
    one_line(benchsim("check", str(path)), *(w for w in words))


@pytest.mark.parametrize("content", [b"", b"\x0a\x0d\x0d\x0a\x1c\x00"])
def test_an_empty_or_headless_capture_is_unreadable(tmp_path, content):
    path = tmp_path / "c.pcapng"
    path.write_bytes(content)
    one_line(benchsim("judge", str(path)), "c.pcapng")


def test_a_silent_program_fails_by_its_presence():
    done = benchsim("check", "--test", "host", "--exec", "sleep 1000", "--case", "prices-refused", "--json")
    assert done.returncode == 1
    assert set(failed(done)) == {"SYS-PRESENT"}


def test_the_sample_host_breaks_no_rule():
    done = benchsim("check", "--test", "host", "--exec", HOST, "--case", "answer-lost", "--case", "sale-coin", "--json")
    document = json.loads(done.stdout)
    assert failed(done) == {}
    assert done.returncode in (0, 3)  # a busy machine may leave doubt, but never an accusation
    assert document["summary"]["pass"] >= 10
    assert {v["judged"] for v in document["verdicts"]} == {"host"}


@pytest.mark.parametrize(
    ("fault", "rule", "case"),
    [
        ("skips-numbers", "KIT-SEQ", "polling"),  # faults of time would be `unsure` on a busy machine
        ("stubborn", "KIT-RETRY", "four-answers-lost"),
        ("gives-up", "KIT-RELINK", "board-silent"),
        ("forgetful", "KIT-START", "quick-reboot"),
    ],
)
def test_a_documented_fault_is_named_with_its_frame(fault, rule, case):
    done = benchsim("check", "--test", "host", "--exec", FAULTY % fault, "--case", case, "--json")
    assert done.returncode == 1
    verdict = failed(done)[rule]
    assert verdict["broken"] >= 1
    assert verdict["at"][0]["frame"] > 0 and verdict["at"][0]["text"]


def test_a_program_that_dies_early_gets_a_verdict_and_a_report(tmp_path):
    command = 'sh -c "timeout -s KILL 2 python3 fixtures/sample_host/host.py $0 $1" {kit} {panel}'
    done = benchsim("check", "--test", "host", "--exec", command, "--case", "polling", "--out", str(tmp_path / "o"))
    assert done.returncode in (0, 1, 3)
    assert (tmp_path / "o" / "report.html").stat().st_size > 1000
    assert "the program ended" in (tmp_path / "o" / "report.html").read_text("utf-8")


def test_without_a_panel_its_cases_are_unseen_with_the_reason():
    command = "python3 fixtures/sample_host/host.py {kit}"
    done = benchsim("check", "--test", "host", "--exec", command, "--case", "sale-coin", "--json")
    document = json.loads(done.stdout)
    assert done.returncode == 3  # nothing at all was put to the test
    assert {v["outcome"] for v in document["verdicts"]} == {"unseen"}
    assert all("{panel}" in v["why"] for v in document["verdicts"])


def test_ctrl_c_leaves_report_and_capture(tmp_path):
    out = tmp_path / "o"
    begun = tmp_path / "begun"
    host = f"sh -c 'touch {begun}; exec {sys.executable} fixtures/sample_host/host.py $0 $1' {{kit}} {{panel}}"
    command = [sys.executable, "-m", "benchsim", "check", "--test", "host", "--exec", host, "--out", str(out)]
    # a shell starts background jobs with Ctrl-C ignored; whoever types it is not in the background
    heeding = lambda: signal.signal(signal.SIGINT, signal.SIG_DFL)  # noqa: E731
    with subprocess.Popen(
        command, cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, preexec_fn=heeding
    ) as process:
        while not begun.exists():
            assert process.poll() is None, process.communicate()[1]
            time.sleep(0.05)
        time.sleep(0.5)  # in the middle of the first cases
        process.send_signal(signal.SIGINT)
        _, errors = process.communicate(timeout=120)
    assert process.returncode == 130, errors
    assert {"report.html", "verdicts.json", "junit.xml", "capture.pcapng"} <= {p.name for p in out.iterdir()}
    assert b"Traceback" not in errors


def test_out_and_judge_again(tmp_path):
    done = benchsim("check", "--test", "host", "--case", "answer-lost", "--out", str(tmp_path / "o"))
    assert done.returncode == 0
    live = json.loads((tmp_path / "o" / "verdicts.json").read_text("utf-8"))
    again = benchsim("judge", str(tmp_path / "o" / "capture.pcapng"), "--json")
    recorded = json.loads(again.stdout)
    assert recorded["verdicts"] == live["verdicts"]
    assert (recorded["subject"], recorded["outcome"]) == ("host", "pass")


def test_decode_reads_the_worked_frames_of_the_standard():
    """COIN TYPE, all 16 accepted: sum 0C+FF+FF = 20A, so 0A; computed by hand after MDB/ICP 4.3 §2."""
    done = benchsim("decode", "--hex", "10C 0FF 0FF 000 000 00A 100")
    assert done.returncode == 0
    assert re.search(r"command changer .*10C 0FF 0FF 000 000 00A", done.stdout)
    assert "broken" not in done.stdout


def test_reference_pages():
    assert "40 to 100 ms" in benchsim("rules", "KIT-WAIT").stdout
    assert "validator" in benchsim("seats").stdout
    assert benchsim("--help").returncode == 0


@pytest.mark.skipif(shutil.which("sh") is None, reason="needs a shell")
def test_no_process_is_left_behind(tmp_path):
    mark = tmp_path / "alive"
    command = f"sh -c 'while sleep 0.2; do touch {mark}; done' {{kit}}"
    benchsim("check", "--test", "host", "--exec", command, "--case", "prices-refused")
    mark.unlink(missing_ok=True)
    time.sleep(1)
    assert not mark.exists()
