"""A connection to a broker, and in words why there is none."""

import logging
import re
import ssl
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager

import aiomqtt

from benchsim.feeds.broker import LOGIN, LOGIN_FILE, Broker

AGAIN_MIN, AGAIN_MAX = 0.5, 30.0  # seconds from one attempt to the next, doubled each time
PATIENCE = 10.0  # seconds for the broker to answer anything
KEEPALIVE = 10  # seconds; MQTT 3.1.1, 3.1.2.10: after one and a half of it the broker tells the last will
WAITING = 1000  # messages that were received and not yet looked at

_QUIET = logging.getLogger("benchsim.feeds")
_QUIET.addHandler(logging.NullHandler())
_QUIET.propagate = False


class Lost(Exception):
    """There is no connection, or none any more: why, in words."""


@asynccontextmanager
async def connected(broker: Broker, will: tuple[str, bytes] | None = None) -> AsyncIterator[aiomqtt.Client]:
    """A client while it is connected. `will`: topic and payload that the broker keeps when we are gone without a word."""
    try:
        async with aiomqtt.Client(
            broker.host,
            broker.port,
            username=broker.user,
            password=broker.password,
            tls_context=broker.tls_context(),
            will=aiomqtt.Will(*will, qos=1, retain=True) if will else None,
            timeout=PATIENCE,
            keepalive=KEEPALIVE,
            max_queued_incoming_messages=WAITING,
            logger=_QUIET,
        ) as client:
            yield client
    except (aiomqtt.MqttError, OSError, ssl.SSLError) as error:
        raise Lost(_in_words(error)) from None


# What the libraries say, and what we say in its place.
_WORDS = (
    (re.compile(r"^\[code:13[45]\]"), f"user or password is refused ({LOGIN['user']}, {LOGIN['password']}, {LOGIN_FILE})"),
    (re.compile(r"^Disconnected during|connection was lost|^\[code:128\]", re.I), "the connection broke"),
    (re.compile(r"timed out", re.I), "no answer"),
)
_DRESS = re.compile(r"^\[[^]]*\] *|\.? *\(_ssl\.c:\d+\)$|\.$")


def _in_words(error: Exception) -> str:
    text = str(error)
    for form, words in _WORDS:
        if form.search(text):
            return words
    text = _DRESS.sub("", text) or type(error).__name__
    return text[0].lower() + text[1:]
