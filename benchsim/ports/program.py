"""The program under test: started with port paths in its command, ended with everything it started."""

import os
import shlex
import shutil
import signal
import subprocess
import sys
import tempfile

from benchsim.errors import UsageError
from benchsim.ports.waiting import Waiting


def split_command(command: str, known: set[str], option: str = "--exec") -> list[str]:
    """Split as a shell would; UsageError for a program that does not exist or an unknown {name}."""
    try:
        words = shlex.split(command)
    except ValueError as error:
        raise UsageError(f"{option}: {error}, expected a command as in a shell") from None
    if not words:
        raise UsageError(f"{option}: expected a command, such as \"python3 host.py {{kit}} {{panel}}\"")
    if shutil.which(words[0]) is None:
        raise UsageError(f"{option}: no program {words[0]!r} here, expected one on PATH or a path to it")
    for word in words:
        name = word[1:-1]
        if word.startswith("{") and word.endswith("}") and name not in known:
            raise UsageError(f"{option}: unknown name {word}, expected {', '.join(sorted('{%s}' % k for k in known))}")
    return words


def _environment() -> dict[str, str]:
    """The user's, with the bench's own Python first on PATH unless the user has activated another one."""
    mine = os.path.dirname(sys.executable)
    if os.environ.get("VIRTUAL_ENV"):
        return dict(os.environ)
    return os.environ | {"PATH": mine + os.pathsep + os.environ.get("PATH", "")}


class Program:
    """A running program with its children in a process group of its own. UsageError if the system cannot start it."""

    def __init__(self, words: list[str], paths: dict[str, str]):
        args = [self._fill(word, paths) for word in words]
        self._output = tempfile.TemporaryFile()
        try:
            self._process = subprocess.Popen(
                args, stdin=subprocess.DEVNULL, stdout=self._output, stderr=subprocess.STDOUT,
                start_new_session=True, env=_environment(),
            )  # fmt: skip
        except OSError as error:
            self._output.close()
            why = (error.strerror or str(error)).lower()
            raise UsageError(f"--exec: {words[0]}: {why}, expected a program that this system can start") from None
        self._waiting = Waiting(self._process.pid)

    @staticmethod
    def _fill(word: str, paths: dict[str, str]) -> str:
        for link, path in paths.items():
            word = word.replace("{%s}" % link, path)
        return word

    @property
    def ended(self) -> str | None:
        """How it ended, or None while it runs."""
        status = self._process.poll()
        if status is None:
            return None
        return f"ended with status {status}" if status >= 0 else f"was ended by {signal.Signals(-status).name}"

    def stop(self) -> None:
        """End it and all that it started."""
        try:
            os.killpg(self._process.pid, signal.SIGKILL)
        except (ProcessLookupError, PermissionError):
            pass
        self._process.wait()
        self._waiting.close()
        self.last_words()
        self._output.close()

    def last_words(self, lines: int = 3) -> list[str]:
        """The end of what it printed."""
        if not self._output.closed:
            self._output.seek(max(0, self._output.seek(0, os.SEEK_END) - 2000))
            self._said = self._output.read().decode("utf-8", "replace")
        return [line for line in self._said.splitlines() if line.strip()][-lines:]

    def waited(self) -> int:
        """Ticks for which this computer had more to run than processors, so far: not the program's own delay."""
        return self._waiting.ticks()

    @property
    def pid(self) -> int:
        """Process id."""
        return self._process.pid
