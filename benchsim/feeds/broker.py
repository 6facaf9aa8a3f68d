"""A broker: where it is, and how one logs in there.

    mqtt://HOST[:PORT][/PREFIX]     port 1883
    mqtts://HOST[:PORT][/PREFIX]    port 8883, TLS; the certificate must name HOST

Ports: IANA service names mqtt and secure-mqtt. What a topic may hold: MQTT 3.1.1 (OASIS Standard, 29 October
2014), 4.7. User and password come from the environment or a file: what stands on a command line can be read by
everybody on the computer.
"""

import importlib.util
import ssl
from collections.abc import Mapping
from pathlib import Path
from typing import NamedTuple
from urllib.parse import unquote, urlsplit

from benchsim.errors import UsageError
from benchsim.schema import read_toml

PORTS = {"mqtt": 1883, "mqtts": 8883}
PREFIX = "benchsim"
FORM = "mqtt://HOST[:PORT][/PREFIX] or mqtts://HOST[:PORT][/PREFIX]"
LOGIN_FILE = "BENCHSIM_MQTT_LOGIN"
LOGIN = {"user": "BENCHSIM_MQTT_USER", "password": "BENCHSIM_MQTT_PASSWORD", "ca": "BENCHSIM_MQTT_CA"}
_LONGEST = 65535  # bytes of a topic or a text: MQTT 3.1.1, 1.5.3
_ROOM = 200  # for what stands behind a prefix


class Broker(NamedTuple):
    """Where messages go. `ca`: a file with the certificate of whoever vouches for the broker, None: the system's."""

    host: str
    port: int
    tls: bool
    prefix: str
    user: str | None = None
    password: str | None = None
    ca: str | None = None

    def __str__(self) -> str:
        """For people: never with the login."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return f"{'mqtts' if self.tls else 'mqtt'}://{host}:{self.port}/{self.prefix}"

    def tls_context(self) -> ssl.SSLContext | None:
        """How the broker's certificate is looked at. UsageError if the file is no certificate."""
        if not self.tls:
            return None
        try:
            return ssl.create_default_context(cafile=self.ca)
        except (OSError, ssl.SSLError):
            raise UsageError(f"{self.ca}: expected a file with certificates (PEM) for the broker") from None


def parse_broker(text: str, environ: Mapping[str, str], option: str = "--mqtt") -> Broker:
    """The words of --mqtt, with the login of the environment. UsageError says what was expected."""
    if importlib.util.find_spec("aiomqtt") is None or importlib.util.find_spec("jsonschema") is None:
        raise UsageError(f"{option}: expected the extra for it: pip install 'benchsim[mqtt]'")
    try:
        parts = urlsplit(text)
        host, port = parts.hostname, parts.port
    except ValueError:
        raise UsageError(f"{option} {text}: expected {FORM}") from None
    if parts.username is not None or parts.password is not None:
        raise UsageError(
            f"{option}: user and password do not belong on a command line, "
            f"expected them in {LOGIN['user']} and {LOGIN['password']}, or in a file named by {LOGIN_FILE}"
        )
    if parts.scheme not in PORTS or not host or port == 0 or parts.query or parts.fragment:
        raise UsageError(f"{option} {text}: expected {FORM}")
    prefix = unquote(parts.path).strip("/") or PREFIX
    _fits(prefix, option)
    tls = parts.scheme == "mqtts"
    login = _login(environ)
    if login.get("password") is not None and login.get("user") is None:
        raise UsageError(f"{option}: a password without a user, expected {LOGIN['user']} or user = in the login file")
    broker = Broker(host, port or PORTS[parts.scheme], tls, prefix, **login)
    broker.tls_context()  # told now, not while the bench runs
    return broker


def _fits(prefix: str, option: str) -> None:
    if len(prefix.encode("utf-8", "replace")) > _LONGEST - _ROOM:
        raise UsageError(f"{option}: expected a shorter prefix")
    if any(c in "+#\0" or "\ud800" <= c <= "\udfff" for c in prefix) or prefix.startswith("$"):
        raise UsageError(f"{option}: expected a prefix without + and #, and without $ at its start, not {prefix!r}")


def _login(environ: Mapping[str, str]) -> dict[str, str]:
    """From the file first, then from the environment, which has the last word."""
    path = environ.get(LOGIN_FILE)
    found = _login_file(Path(path)) if path else {}
    found |= {key: environ[name] for key, name in LOGIN.items() if environ.get(name)}
    for key, value in found.items():
        if len(value.encode("utf-8", "replace")) > _LONGEST:
            raise UsageError(f"{key} for the broker: expected at most {_LONGEST} bytes")
    return found


def _login_file(path: Path) -> dict[str, str]:
    table = read_toml(path)
    for key, value in table.items():
        if key not in LOGIN:
            raise UsageError(f"{path}: unknown key {key}, expected one of {', '.join(LOGIN)}")
        if not isinstance(value, str):
            raise UsageError(f"{path}: {key}: expected a text")
    if "ca" in table:
        table["ca"] = str(path.parent / table["ca"])
    return table
