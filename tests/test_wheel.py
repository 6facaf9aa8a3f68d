"""The wheel holds all that the program needs: installed away from the checkout, it does the main job."""

import json
import subprocess
import sys
import venv
from pathlib import Path
from zipfile import ZipFile

ROOT = Path(__file__).parents[1]


def test_the_wheel_works_away_from_the_checkout(tmp_path):
    built = [sys.executable, "-m", "build", "--wheel", "--outdir", str(tmp_path / "dist"), str(ROOT)]
    subprocess.run(built, check=True, capture_output=True)
    (wheel,) = (tmp_path / "dist").glob("*.whl")
    venv.create(tmp_path / "env", with_pip=True)
    python = tmp_path / "env" / "bin" / "python"
    subprocess.run([python, "-m", "pip", "install", "-q", str(wheel)], check=True, capture_output=True)
    command = [tmp_path / "env" / "bin" / "benchsim", "check", "--case", "demo", "--json", "--out", tmp_path / "o"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["outcome"] == "pass"
    assert (tmp_path / "o" / "report.html").exists()
    told = subprocess.run([command[0], "howto", "ci"], cwd=tmp_path, capture_output=True, text=True)
    assert told.returncode == 0 and "test_my_host.py" in told.stdout
    with ZipFile(wheel) as inside:
        (entries,) = (name for name in inside.namelist() if name.endswith("entry_points.txt"))
        assert "[pytest11]\nbenchsim = benchsim.pytest_plugin" in inside.read(entries).decode()
