"""The shape of messages: a JSON Schema in this package, one file a version."""

import json
from datetime import UTC, datetime
from functools import lru_cache
from importlib.resources import files

VERSION = 1
_FILE = f"feed-{VERSION}.schema.json"


def schema_text() -> str:
    """The file as it is."""
    return files("benchsim.feeds").joinpath(_FILE).read_text("utf-8")


def now() -> str:
    """The time of day, as messages carry it. No simulation asks for it."""
    return f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}"


@lru_cache
def _validators() -> dict:
    from jsonschema import Draft202012Validator

    whole = json.loads(schema_text())
    kinds = [ref["$ref"].rpartition("/")[2] for ref in whole["oneOf"]]
    own = {key: value for key, value in whole.items() if key != "oneOf"}
    return {kind: Draft202012Validator(own | {"$ref": f"#/$defs/{kind}"}) for kind in kinds}


def read_message(payload: bytes) -> dict:
    """A message of this version. ValueError says what is wrong with it."""
    try:
        message = json.loads(payload)
    except (ValueError, RecursionError):
        raise ValueError("no JSON") from None
    if not isinstance(message, dict) or message.get("feed") != VERSION:
        said = message.get("feed") if isinstance(message, dict) else None
        raise ValueError(f"no message of feed version {VERSION}" + (f" but {said!r}"[:40] if said is not None else ""))
    kind = message.get("kind")
    if not isinstance(kind, str) or kind not in _validators():
        raise ValueError("no kind of message that is known")
    wrong = next(_validators()[kind].iter_errors(message), None)
    if wrong is not None:
        raise ValueError(f"{wrong.json_path}: {wrong.message}"[:200])
    return message
