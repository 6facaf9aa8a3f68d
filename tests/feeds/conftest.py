"""A real broker (Debian packages mosquitto, mosquitto-clients) with a password, and TLS if a test wants it.

Who looks on at the broker is a program of the broker's own makers, so that nothing of ours reads what we wrote.
"""

import json
import os
import shutil
import signal
import socket
import subprocess
import time
from functools import cache
from importlib.resources import files

import pytest
from jsonschema import Draft202012Validator

PATH = os.environ.get("PATH", "") + ":/usr/sbin:/sbin"
TOOLS = ("mosquitto", "mosquitto_sub", "mosquitto_pub", "mosquitto_passwd", "openssl")
LACKING = [tool for tool in TOOLS if shutil.which(tool, path=PATH) is None]
USER, PASSWORD = "bench", "a secret: ü"
DEADLINE = 120.0  # seconds; never reached by working code


def pytest_collection_modifyitems(items):
    for item in items:
        if "at_broker" in item.fixturenames and LACKING and "CI" not in os.environ:
            item.add_marker(pytest.mark.skip(reason=f"not installed: {', '.join(LACKING)} (packages mosquitto, mosquitto-clients)"))


@cache
def validator():
    """The schema of the package, before the library's validator."""
    schema = json.loads(files("benchsim.feeds").joinpath("feed-1.schema.json").read_text("utf-8"))
    Draft202012Validator.check_schema(schema)
    return Draft202012Validator(schema)


@pytest.fixture(name="until")
def until_fixture():
    """Wait until something holds; what that was is told if it never does."""
    return until


def until(holds, what):
    end = time.monotonic() + DEADLINE
    while not (found := holds()):
        assert time.monotonic() < end, f"never came: {what}"
        time.sleep(0.02)
    return found


class Seen:
    """Everything at a broker that a subscriber gets, from now on. The broker remembers it, so that nothing is lost while it is away."""

    def __init__(self, at, name):
        words = ["mosquitto_sub", *at.login, "-i", name, "-c", "-q", "1", "-t", "#", "-F", "%r %t %p"]
        path = at.folder / f"{name}.seen"
        with path.open("wb") as file:
            self._process = subprocess.Popen(words, stdout=file, stderr=subprocess.DEVNULL)
        self._read, self._at, self._found = path.open("rb"), 0, []
        at.lookers.append(self)

    def all(self):
        """[(retained, topic, message)]; each is valid."""
        self._read.seek(self._at)
        whole = self._read.read().rpartition(b"\n")[0]
        self._at += len(whole) + bool(whole)
        for line in filter(None, whole.decode().split("\n")):
            retained, topic, payload = line.split(" ", 2)
            if not topic.endswith("/command"):  # those are a test's own, and may be wrong
                message = json.loads(payload)
                validator().validate(message)
                self._found.append((retained == "1", topic, message))
        return self._found

    def of(self, kind):
        """Messages of one kind."""
        return [message for _, _, message in self.all() if message["kind"] == kind]

    def wait(self, kind, **values):
        """Until there is one with such values."""
        return until(
            lambda: next((m for m in self.of(kind) if all(m[key] == value for key, value in values.items())), None),
            f"{kind} {values}",
        )

    def close(self):
        self._process.kill()
        self._process.wait()
        self._read.close()


class AtBroker:
    """A Mosquitto of our own on a free port."""

    def __init__(self, folder, tls):
        self.folder, self.tls, self.lookers = folder, tls, []
        passwords = folder / "passwords"
        subprocess.run(["mosquitto_passwd", "-b", "-c", passwords, USER, PASSWORD], check=True, env={"PATH": PATH})
        lines = ["allow_anonymous false", f"password_file {passwords}", "persistence true",
                 f"persistence_location {folder}/", "max_queued_messages 0"]  # fmt: skip
        if os.geteuid() == 0:
            lines.append("user root")  # or it could not read the files of the test
        if tls:
            make_certificates(folder)
            lines += [f"cafile {folder}/ca.pem", f"certfile {folder}/broker.pem", f"keyfile {folder}/broker.key"]
        for _ in range(5):  # somebody else may take the port before Mosquitto does
            with socket.create_server(("127.0.0.1", 0)) as free:
                self.number = free.getsockname()[1]
            (folder / "mosquitto.conf").write_text("\n".join([f"listener {self.number} 127.0.0.1", *lines, ""]))
            if self.start():
                break
        tls_words = ["--cafile", str(folder / "ca.pem")] if tls else []
        self.login = ["-h", "localhost", "-p", str(self.number), "-u", USER, "-P", PASSWORD, *tls_words]

    @property
    def url(self):
        return f"mqtt{'s' if self.tls else ''}://localhost:{self.number}/shop"

    @property
    def environ(self):
        """What a user has to set."""
        ca = {"BENCHSIM_MQTT_CA": str(self.folder / "ca.pem")} if self.tls else {}
        return {"BENCHSIM_MQTT_USER": USER, "BENCHSIM_MQTT_PASSWORD": PASSWORD, **ca}

    def looker(self, name="looker"):
        """Who sees all that is there, and all that comes."""
        return Seen(self, name)

    def start(self):
        """True if it runs and listens."""
        words = ["mosquitto", "-c", self.folder / "mosquitto.conf"]
        self.process = subprocess.Popen(words, env={"PATH": PATH}, stderr=subprocess.DEVNULL)
        until(lambda: self._there() or self.process.poll() is not None, "mosquitto")
        return self.process.poll() is None

    def _there(self):
        try:
            socket.create_connection(("127.0.0.1", self.number)).close()
        except OSError:
            return False
        return True

    def stop(self, how=signal.SIGTERM):
        self.process.send_signal(how)
        if how != signal.SIGSTOP:
            self.process.wait()

    def say(self, topic, payload, retain=False):
        words = [*self.login, "-q", "1", "-t", topic, "-m", payload, *(["-r"] if retain else [])]
        subprocess.run(["mosquitto_pub", *words], check=True)

    def close(self):
        for looker in self.lookers:
            looker.close()
        self.process.kill()
        self.process.wait()


def make_certificates(folder):
    """Whoever vouches, and a broker called localhost (X.509 v3 extensions of RFC 5280, 4.2.1)."""
    curve = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes"]
    (folder / "leaf.ext").write_text(
        "basicConstraints=critical,CA:FALSE\nsubjectAltName=DNS:localhost,IP:127.0.0.1\nkeyUsage=critical,digitalSignature\n"
        "extendedKeyUsage=serverAuth\nsubjectKeyIdentifier=hash\nauthorityKeyIdentifier=keyid\n"
    )
    ca = [*curve, "-x509", "-days", "2", "-subj", "/CN=bench test", "-addext", "keyUsage=critical,keyCertSign,cRLSign"]
    for words in (
        ["req", *ca, "-keyout", "ca.key", "-out", "ca.pem"],
        ["req", *curve, "-subj", "/CN=localhost", "-keyout", "broker.key", "-out", "broker.csr"],
        ["x509", "-req", "-in", "broker.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial", "-days", "2",
         "-extfile", "leaf.ext", "-out", "broker.pem"],
    ):  # fmt: skip
        subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True)


@pytest.fixture
def at_broker(tmp_path):
    """A broker with a password; `at_broker(tls=True)` with TLS too."""
    made = []

    def make(tls=False):
        folder = tmp_path / f"broker{len(made)}"
        folder.mkdir()
        made.append(AtBroker(folder, tls))
        return made[-1]

    yield make
    for each in made:
        each.close()
