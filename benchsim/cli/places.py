"""Places and amounts that options may ask for, tried before anything is played: nobody waits for minutes to be told."""

from pathlib import Path

from benchsim.errors import UsageError

MOST_SECONDS = 1e8  # of bench time: three years
LAST_SEED = 1 << 32  # of what is kept in a table of results


def make_folder(out: Path | None) -> None:
    """The folder of --out, if one is wanted. UsageError where there can be none."""
    if out is None:
        return
    if out.exists() and not out.is_dir():
        raise UsageError(f"--out {out}: this is a file, expected a folder or a new name")
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        why = (error.strerror or "cannot be made").lower()
        raise UsageError(f"--out {out}: {why}, expected a folder or a new name") from None


def want_file(path: Path | None, option: str) -> None:
    """A file that an option asks for. UsageError where none can be written."""
    if path is None:
        return
    if path.is_dir():
        raise UsageError(f"{option} {path}: this is a folder, expected a file")
    if not path.parent.is_dir():
        raise UsageError(f"{option} {path}: no folder {path.parent}, expected one that exists")
