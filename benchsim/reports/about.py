"""What the user says of what was tested: `--about KEY=TEXT`, as often as wanted.

Free words: image, hash, operator, place, harness, anything. A text that begins with `@` names a file,
and its name and SHA-256 are told, so that nobody has to copy a hash: `--about image=@build/kit.img`.
"""

import hashlib
from pathlib import Path

from benchsim.errors import UsageError

LONGEST = 500  # characters of one text


def parse_about(texts: list[str] | None) -> dict[str, str]:
    """{key: text} in the order given. UsageError names the option that makes no sense."""
    found: dict[str, str] = {}
    for one in texts or ():
        key, sign, text = (part.strip() for part in one.partition("="))
        if not sign or not key or not text or len(text) > LONGEST:
            raise UsageError(f"--about {one[:80]}: expected KEY=TEXT, such as operator=day-shift or image=@FILE")
        if key in found:
            raise UsageError(f"--about {one[:80]}: {key} is given twice, expected each key once")
        found[key] = fingerprint(Path(text[1:]), f"--about {one}") if text.startswith("@") else text
    return found


def fingerprint(path: Path, place: str = "") -> str:
    """Name and SHA-256 of a file. The folder is left out: a report must not tell where it was made."""
    try:
        with path.open("rb") as file:
            return f"{path.name}, SHA-256 {hashlib.file_digest(file, 'sha256').hexdigest()}"
    except OSError as error:
        reason = (error.strerror or "unreadable").lower()
        raise UsageError(f"{place or path}: {reason}, expected a readable file") from None
