"""The how-to, worked along as it stands: a new project made of its text alone passes, and fails red on the planted bug."""

import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from benchsim.checks.waivers import load_waivers
from benchsim.cli import run
from benchsim.cli.howto import TOPICS

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "benchsim" / "howto" / "ci.md").read_text("utf-8")
FILES = {name: text for name, text in re.findall(r"^```\w+ (\S+)\n(.*?)^```$", TEXT, re.M | re.S)}
ENTRY = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]["entry-points"]["pytest11"]


def block(heading: str, kind: str = "sh") -> str:
    """The first block of that kind without a file name under a heading."""
    under = re.search(rf"^## \d+\. {heading}.*?(?=^## |\Z)", TEXT, re.M | re.S)[0]
    return re.search(rf"^```{kind}\n(.*?)^```$", under, re.M | re.S)[1]


@pytest.fixture
def project(tmp_path):
    """Every file of the how-to; `python` and `benchsim` are those of this test run, the plugin is found as installed."""
    for name, text in FILES.items():
        path = tmp_path / "new" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    bin_, about = tmp_path / "bin", tmp_path / "site" / "benchsim_under_test-0.dist-info"
    bin_.mkdir()
    about.mkdir(parents=True)
    for name, words in (("python", ""), ("benchsim", " -m benchsim")):
        (bin_ / name).write_text(f'#!/bin/sh\nexec {sys.executable}{words} "$@"\n')
        (bin_ / name).chmod(0o755)
    (about / "METADATA").write_text("Metadata-Version: 2.1\nName: benchsim-under-test\nVersion: 0\n")
    (about / "entry_points.txt").write_text("[pytest11]\n" + "".join(f"{k} = {v}\n" for k, v in ENTRY.items()))
    own = {key: value for key, value in os.environ.items() if not key.startswith("PYTEST_")}
    environment = own | {"PATH": f"{bin_}:{own['PATH']}", "PYTHONPATH": f"{about.parent}:{ROOT}"}

    def sh(command: str) -> subprocess.CompletedProcess:
        return subprocess.run(["sh", "-c", command], cwd=tmp_path / "new", env=environment, capture_output=True, text=True, timeout=300)

    return sh


def test_a_new_project_passes_and_then_fails_red_with_the_frame_named(project):
    done = project("make links")
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr
    assert re.search(r"^10 passed|, 10 passed|=+ 10 passed", done.stdout, re.M), done.stdout[-3000:]
    assert project("test -s links.xml && test -s report/capture.pcapng").returncode == 0
    done = project(block("See it fail").replace("-m pytest", "-m pytest -x test_my_host.py"))
    assert done.returncode == 1
    told = block("See it fail", "").splitlines()
    for line in (told[0], *(line for line in told if line.startswith(("again: ", "   61.40")))):  # as the text shows it
        pattern = re.sub(r"\\?\d+", r"\\d+", re.escape(line))
        assert re.search(f"^{pattern}$", done.stdout, re.M), (line, done.stdout[-3000:])
    assert re.search(r"KIT-POLL-RATE at host: .* frame \d+: POLL seq \d+", done.stdout)


def test_the_host_of_the_text_is_the_example_of_the_checkout():
    assert FILES["my_host.py"] == (ROOT / "fixtures" / "examples" / "host.py").read_text()


def test_the_waivers_are_good_and_the_workflow_runs_the_makefile(tmp_path):
    (tmp_path / "w.toml").write_text(FILES["waivers.toml"])
    assert len(load_waivers(tmp_path / "w.toml")) == 1
    assert "run: make links" in FILES[".github/workflows/links.yml"]
    yaml = pytest.importorskip("yaml")
    workflow = yaml.safe_load(FILES[".github/workflows/links.yml"])
    assert all("uses" in step or "run" in step for step in workflow["jobs"]["links"]["steps"])


def test_what_the_text_names_exists():
    """Options of the commands in it, and cases."""
    from benchsim.checks.plans import PLANS
    from benchsim.faults import load_cards

    shown = subprocess.run([sys.executable, "-m", "benchsim", "check", "--help"], capture_output=True, text=True, env=os.environ | {"COLUMNS": "200"}, cwd=ROOT).stdout
    for option in set(re.findall(r"(?<= )--[a-z-]+", "\n".join(line for line in TEXT.splitlines() if "benchsim check" in line or "--allow" in line))):
        assert option in shown, option
    (cases,) = re.findall(r'parametrize\("case", \[(.*?)\]', TEXT)
    assert set(re.findall(r'"([a-z-]+)"', cases)) <= set(PLANS["host"].cases)
    (faults,) = re.findall(r"faults=\[(\"kit.*?)\]", TEXT)
    assert {name.split("@")[0] for name in re.findall(r'"(\S+?)"', faults)} <= set(load_cards())


def test_the_command_prints_it(capsys):
    assert run(["howto", "ci"]) == 0
    assert capsys.readouterr().out == TEXT
    assert run(["howto"]) == 0
    assert all(topic in capsys.readouterr().out for topic in TOPICS)
    assert run(["howto", "nope"]) == 2
    assert "expected one of ci" in capsys.readouterr().err
