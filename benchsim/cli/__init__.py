"""The command line. Every error that a user can mend is one line on stderr and status 2."""

import sys

import click

from benchsim.cli.app import app
from benchsim.errors import UsageError


def main() -> None:
    """Entry point of `benchsim`."""
    sys.exit(run(sys.argv[1:]))


def run(arguments: list[str]) -> int:
    """Run one command; returns its exit status."""
    try:
        status = app(arguments, prog_name="benchsim", standalone_mode=False)
        return status if isinstance(status, int) else 0
    except click.exceptions.NoArgsIsHelpError as error:
        print(error.format_message())
        return 2
    except click.ClickException as error:
        print(f"benchsim: {error.format_message()}", file=sys.stderr)
        return 2
    except UsageError as error:
        print(f"benchsim: {error}", file=sys.stderr)
        return 2
    except (KeyboardInterrupt, click.exceptions.Abort):
        return 130
    except BrokenPipeError:
        return 0
