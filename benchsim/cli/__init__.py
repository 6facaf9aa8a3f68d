"""The command line. Every error that a user can mend is one line on stderr and status 2."""

import sys

import typer

from benchsim.cli.app import app
from benchsim.errors import UsageError

# Typer's releases carry their parser under different names; this is the root of its usage errors.
_BadUsage = next(c for c in reversed(typer.BadParameter.__mro__) if hasattr(c, "format_message"))


def main() -> None:
    """Entry point of `benchsim`."""
    sys.exit(run(sys.argv[1:]))


def run(arguments: list[str]) -> int:
    """Run one command; returns its exit status."""
    try:
        status = app(arguments or ["--help"], prog_name="benchsim", standalone_mode=False)
        return status if isinstance(status, int) else 0
    except _BadUsage as error:
        print(f"benchsim: {' '.join(error.format_message().split())} (see benchsim --help)", file=sys.stderr)
        return 2
    except UsageError as error:
        print(f"benchsim: {error}", file=sys.stderr)
        return 2
    except (KeyboardInterrupt, typer.Abort):
        return 130
    except BrokenPipeError:
        return 0
