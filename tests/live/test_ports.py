"""Programs of a live bench: all of them run, or none."""

import sys

import pytest

from benchsim.errors import UsageError
from benchsim.live import ports
from benchsim.live.ports import start_all


def test_where_one_program_cannot_be_started_none_is_left(tmp_path, monkeypatch):
    (tmp_path / "no-program").write_text("x")
    (tmp_path / "no-program").chmod(0o755)
    started = []

    class Noted(ports.Program):
        def __init__(self, *told):
            super().__init__(*told)
            started.append(self)

    monkeypatch.setattr(ports, "Program", Noted)
    sleeps = [sys.executable, "-c", "import time; time.sleep(60)"]
    with pytest.raises(UsageError, match="exec format error"):
        start_all([sleeps, [str(tmp_path / "no-program")]], {})
    (one,) = started
    assert one.ended == "was ended by SIGKILL"
