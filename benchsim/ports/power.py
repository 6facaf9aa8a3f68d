"""The supply of a real subject, switched by a command of the user's: a relay, a switched hub, a script."""

import asyncio
import subprocess

from benchsim.errors import UsageError
from benchsim.ports.program import split_command

PATIENCE = 60.0  # seconds that the command may take


class PowerSwitch:
    """Runs CMD with {state} replaced by `on` or `off`. UsageError for words that make no command."""

    def __init__(self, command: str):
        self._words = split_command(command, {"state"}, "--power")
        if not any("{state}" in word for word in self._words):
            raise UsageError(f"--power {command}: expected {{state}} in it, which becomes on or off")

    async def __call__(self, on: bool) -> str | None:
        """Switch. What went wrong, or None; the loop goes on meanwhile."""
        return await asyncio.get_running_loop().run_in_executor(None, self._run, "on" if on else "off")

    def _run(self, state: str) -> str | None:
        words = [word.replace("{state}", state) for word in self._words]
        try:
            done = subprocess.run(words, stdin=subprocess.DEVNULL, capture_output=True, timeout=PATIENCE, check=False)
        except subprocess.TimeoutExpired:
            return f"the power command took longer than {PATIENCE:g} s"
        except OSError as error:
            return f"the power command: {(error.strerror or str(error)).lower()}"
        if not done.returncode:
            return None
        said = (done.stderr or done.stdout).decode("utf-8", "replace").strip().splitlines()
        return f"the power command ended with status {done.returncode}" + (f": {said[-1]}" if said else "")
