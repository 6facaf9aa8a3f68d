"""Errors that a user can mend. The command line prints them as one line and ends with status 2."""


class UsageError(Exception):
    """Bad usage or unreadable input: one line that names the file, the place and what was expected."""
