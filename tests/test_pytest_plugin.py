"""The pytest plugin as a user's project has it: a pytest of its own in a folder of its own, the plugin by its entry point."""

import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import benchsim.pytest_plugin  # noqa: F401  (once for all runs in our process, which forget what they import)
import benchsim.testing.findings  # noqa: F401
from benchsim.captures import open_capture

pytest_plugins = ["pytester"]

ROOT = Path(__file__).parents[1]
ENTRY = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["entry-points"]["pytest11"]
HEAVY = ("benchsim.bench", "benchsim.schema", "construct", "rich", "typer", "jinja2", "hypothesis", "serial", "asyncio")
USUAL = "[pytest]\nfilterwarnings = error\nasyncio_default_fixture_loop_scope = function\n"


@pytest.fixture
def project(pytester, monkeypatch):
    """A project with the example host. The plugin is found by a distribution that has what pyproject says."""
    about = pytester.path / "site" / "benchsim_plugin_under_test-0.dist-info"
    about.mkdir(parents=True)
    (about / "METADATA").write_text("Metadata-Version: 2.1\nName: benchsim-plugin-under-test\nVersion: 0\n")
    (about / "entry_points.txt").write_text("[pytest11]\n" + "".join(f"{k} = {v}\n" for k, v in ENTRY.items()))
    monkeypatch.setenv("PYTHONPATH", f"{about.parent}:{ROOT}")  # for runs in a process of their own
    pytester.syspathinsert(about.parent)  # and for those in ours
    pytester.syspathinsert()
    monkeypatch.delenv("PYTEST_ADDOPTS", raising=False)
    pytester.makefile(".ini", pytest=USUAL)
    (pytester.path / "my_host.py").write_text((ROOT / "fixtures" / "examples" / "host.py").read_text())
    return pytester


def passed(project, *arguments, **counts):
    run = project.runpytest_subprocess if "-n" in arguments else project.runpytest_inprocess
    done = run("-p", "no:cacheprovider", *arguments)
    done.assert_outcomes(**(counts or {"passed": 1}))
    return done


HOST = """
    import pytest
    from my_host import Host

    pytestmark = pytest.mark.benchsim(seats="host")

"""
GOOD = """
    async def test_coroutine(bench):
        bench.start(Host(*bench.connect("kit")).run())
        await bench.stage.on_sale()
        await bench.clock.sleep(5)

    def test_function(bench):
        bench.start(Host(*bench.connect("kit")).run())
        bench.run_for(5)
        assert bench.board.sale

    class TestClass:
        @pytest.mark.parametrize("case", ["answer-lost", "link-cut"])
        async def test_cases(self, bench, case, tmp_path):
            bench.start(Host(*bench.connect("kit")).run())
            await bench.play(case)
"""
SLOW = """
    def test_slow(bench, monkeypatch):
        monkeypatch.setattr("my_host.POLL_EVERY", 0.3)
        bench.start(Host(*bench.connect("kit")).run())
        bench.run_for(4)
"""


@pytest.mark.parametrize("mode", [(), ("-o", "asyncio_mode=auto"), ("-p", "no:asyncio")])
def test_the_users_host_in_virtual_time(project, mode):
    """Under pytest-asyncio in both its modes, and without it."""
    if "no:asyncio" in mode:
        project.makefile(".ini", pytest="[pytest]\nfilterwarnings = error\n")
    project.makepyfile(HOST + GOOD)
    passed(project, *mode, passed=4)


def test_other_coroutine_tests_are_left_to_whom_they_belong(project):
    project.makepyfile(
        """
        import asyncio
        import pytest
        from benchsim.clock import VirtualLoop

        async def test_theirs():
            assert not isinstance(asyncio.get_running_loop(), VirtualLoop)

        async def test_ours(bench):
            assert isinstance(asyncio.get_running_loop(), VirtualLoop)

        @pytest.mark.asyncio
        async def test_ours_though_marked(bench):
            assert isinstance(asyncio.get_running_loop(), VirtualLoop)

        async def test_theirs_again():
            await asyncio.sleep(0)
        """
    )
    passed(project, "-o", "asyncio_mode=auto", passed=4)


def test_a_broken_rule_fails_a_test_that_passed(project):
    project.makepyfile(HOST + SLOW)
    done = passed(project, failed=1)
    text = done.stdout.str()
    assert "traceback" not in text.lower()
    # its period by hand: POLL_EVERY of 300 ms against at most 250 ms
    assert re.search(r"KIT-POLL-RATE at host: broken \d+ of \d+, worst 300 ms, limit 50 to 250 ms; [\d.]+ s, frame \d+: POLL seq \d+", text)
    done.stdout.fnmatch_lines(["*- benchsim -*", "FAIL KIT-POLL-RATE at host*", "said last:", "*kit*host*POLL seq*", "again: python -m pytest *::test_slow --benchsim-seed 1", "capture: *"])
    capture = Path(re.search(r"^capture: (.+)$", text, re.M)[1])
    assert any(open_capture(capture).events())


def test_the_line_to_replay_replays(project):
    project.makepyfile(HOST + SLOW)
    text = passed(project, "--benchsim-seed", "77", failed=1).stdout.str()
    again = re.search(r"^again: python (.+)$", text, re.M)[1]
    assert "--benchsim-seed 77" in again
    done = subprocess.run([sys.executable, *again.split()], cwd=project.path, capture_output=True, text=True, timeout=120)
    assert done.returncode == 1
    told = [line for line in text.splitlines() if line.startswith("KIT-POLL-RATE at host")]
    assert told and told[0] in done.stdout


def test_spread_over_processes_and_captures_are_kept_where_wanted(project):
    project.makepyfile(HOST + GOOD + SLOW)
    done = passed(project, "--benchsim-save", "kept", "-n", "2", "-o", "asyncio_mode=auto", passed=4, failed=1)
    done.stdout.fnmatch_lines(["*- benchsim -*", "FAIL KIT-POLL-RATE at host*"])
    (kept,) = (project.path / "kept").iterdir()
    assert kept.name.endswith("test_slow.pcapng") and any(open_capture(kept).events())


def test_a_test_that_fails_by_itself_shows_the_bench_too(project):
    project.makepyfile(
        HOST + """
    async def test_wrong(bench):
        bench.start(Host(*bench.connect("kit")).run())
        await bench.clock.sleep(2)
        assert bench.board.state == 99

    async def test_never(bench):
        await bench.stage.on_sale()

    async def test_breaks(bench):
        async def breaks():
            raise ZeroDivisionError("my own mistake")
        bench.start(breaks())
        await bench.clock.sleep(10)
    """
    )
    done = passed(project, failed=3)
    done.stdout.fnmatch_lines(["*state == 99*", "*- benchsim -*", "said last:", "*NotReached: the host never opened the sale", "*ZeroDivisionError: my own mistake"])
    assert "runners.py" not in done.stdout.str()  # the user's own lines matter


def test_only_a_bench_that_was_played_is_shown_and_each_has_its_capture(project):
    project.makepyfile(
        """
    def test_unused(bench):
        assert 0

    def test_two(bench, pty_bench):
        bench.run_for(1)
        pty_bench.run_for(0.1)
        assert 0
    """
    )
    text = passed(project, failed=2).stdout.str()
    captures = re.findall(r"^capture: (.+)$", text, re.M)
    assert len(captures) == 2 and len(set(captures)) == 2 and all(Path(path).exists() for path in captures)


def test_the_marker_chooses_file_faults_seed_and_judging(project):
    project.makefile(".toml", bench="title = 'mine'\nseed = 5\n[machine]\nrows = 2\ncolumns = 3\n")
    project.makepyfile(
        HOST + """
    @pytest.mark.benchsim(bench="bench.toml", faults=["kit-cable-unplugged@1+0.5"])
    def test_file(bench):
        assert (bench.coils.rows, bench.coils.columns, bench.seed, bench.seats) == (2, 3, 5, ("host",))
        assert [fault.text for fault in bench.faults] == ["kit-cable-unplugged@1+0.5"]

    @pytest.mark.benchsim(seed=9, judge=False)
    def test_seed(bench):
        bench.run_for(3)  # a silent host would fail
        assert bench.seed == 9

    @pytest.mark.benchsim(seats=())
    def test_all_simulated(bench):
        bench.run_for(3)
        assert {"host", "board"} <= {verdict.judged for verdict in bench.verdicts()}

    @pytest.mark.benchsim(seats=(), leap=True)
    def test_an_hour(bench):
        bench.run_for(3600)

    @pytest.mark.xfail(strict=True)
    def test_expected_to_fail(bench):
        bench.run_for(3)
    """
    )
    passed(project, passed=4, xfailed=1)


@pytest.mark.parametrize(
    ("marker", "expected"),
    [
        ("seats='nobody'", "seats: no seat 'nobody', expected some of board"),
        ("bench='none.toml'", "none.toml: "),
        ("faults='kit-melts@1'", "kit-melts"),
        ("seet=3", "no seet, expected bench, seats, faults"),
        ("'host'", "expected names, such as"),
    ],
)
def test_a_marker_that_makes_no_sense_is_one_line(project, marker, expected):
    project.makepyfile(f"import pytest\n\n@pytest.mark.benchsim({marker})\ndef test_it(bench):\n    pass\n")
    text = passed(project, errors=1).stdout.str()
    assert expected in text and "Traceback" not in text and "UsageError" not in text


def test_programs_on_pseudo_terminals(project):
    project.makepyfile(
        HOST + """
    import sys

    def test_program(pty_bench, bench_program):
        program = bench_program(f"{sys.executable} my_host.py {{kit}}")
        pty_bench.run(lambda bench: bench.stage.on_sale())
        pty_bench.run_for(1)
        pty_bench.call(lambda: pty_bench.trace.happening("bench", "late", us=60_000_000))  # as if all of it were a stall
        assert program.ended is None

    async def test_scenario(pty_bench):
        pty_bench.start(f"{sys.executable} my_host.py {{kit}}")
        await pty_bench.stage.on_sale()

    def test_silent(pty_bench):
        pty_bench.run_for(0.2)
    """
    )
    done = passed(project, passed=2, failed=1)
    done.stdout.fnmatch_lines(["SYS-PRESENT at host: broken 1 of 1*", "*::test_program: * unsure, within the doubt of the measurement"])


def test_without_the_plugin(project):
    project.makepyfile("def test_it():\n    pass\n")
    passed(project, "-p", "no:benchsim")
    text = project.runpytest_inprocess("-p", "no:benchsim", "--markers").stdout.str()
    assert "benchsim" not in text.replace(str(ROOT), "").replace("benchsim_plugin_under_test", "")
    assert "@pytest.mark.benchsim(" in project.runpytest_inprocess("--markers").stdout.str()


def test_it_imports_nothing_heavy():
    look = f"import sys, pytest; before = set(sys.modules); import benchsim.pytest_plugin; print(sorted(set({HEAVY!r}) & (set(sys.modules) - before)))"
    done = subprocess.run([sys.executable, "-c", look], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
