"""Clients that mean no good: nothing leaks, nothing falls over, and the bench goes on."""

import http.client
import random
import socket
import subprocess
import sys

import pytest

HANDSHAKE = "dGhlIHNhbXBsZSBub25jZQ=="  # RFC 6455 §1.2


def asked(served, path="/", **headers):
    """(status, body) of one request with these headers."""
    link = http.client.HTTPConnection("127.0.0.1", served.port, timeout=60)
    link.request("GET", path, headers=headers)
    answer = link.getresponse()
    body = answer.read()
    link.close()
    return answer.status, body


def socket_opened(served, **headers):
    """Status of a WebSocket's handshake."""
    asking = {"Upgrade": "websocket", "Connection": "Upgrade", "Sec-WebSocket-Version": "13", "Sec-WebSocket-Key": HANDSHAKE}
    link = http.client.HTTPConnection("127.0.0.1", served.port, timeout=60)
    link.request("GET", "/_nicegui_ws/socket.io/?EIO=4&transport=websocket", headers=asking | headers)
    status = link.getresponse().status
    link.close()
    return status


def test_a_foreign_page_gets_nothing(served):
    here = f"http://127.0.0.1:{served.port}"
    assert asked(served)[0] == 200
    assert asked(served, Origin=here)[0] == 200
    assert asked(served, Origin="http://evil.example")[0] == 403
    assert asked(served, Host="evil.example")[0] == 421
    assert socket_opened(served, Origin="http://evil.example") == 403
    assert socket_opened(served, Origin=here) == 101


def test_any_other_address_needs_the_token(serving):
    served = serving("--host", "0.0.0.0")
    token = served.url.partition("token=")[2]
    name = {"Host": f"0.0.0.0:{served.port}"}
    assert len(token) >= 32
    assert asked(served, **name)[0] == 401
    assert asked(served, "/?token=wrong", **name)[0] == 401
    status, body = asked(served, f"/?token={token}", **name)
    assert status == 200 and token.encode() not in body
    assert socket_opened(served, **name) in (401, 403)


def test_rubbish_over_the_wire(served):
    chance = random.Random(7)
    before = served.open_files()
    for _ in range(100):
        with socket.create_connection(("127.0.0.1", served.port), timeout=60) as link:
            link.sendall(chance.randbytes(chance.randrange(1, 2000)))
    with socket.create_connection(("127.0.0.1", served.port), timeout=60) as link:  # rubbish inside a good socket
        link.sendall(
            f"GET /_nicegui_ws/socket.io/?EIO=4&transport=websocket HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\n"
            "Upgrade: websocket\r\nConnection: Upgrade\r\nSec-WebSocket-Version: 13\r\n"
            f"Sec-WebSocket-Key: {HANDSHAKE}\r\n\r\n".encode()
        )
        assert link.recv(4096).startswith(b"HTTP/1.1 101")
        link.sendall(chance.randbytes(3000))
    assert asked(served)[0] == 200
    nothing_left(served, before)


def nothing_left(served, before):
    """Connections that were left are let go, sooner or later."""
    for _ in range(300):
        if served.open_files() <= before + 5:
            break
        asked(served)
    assert served.open_files() <= before + 5


def test_two_hundred_connections(served, page):
    before = served.open_files()
    links = [socket.create_connection(("127.0.0.1", served.port), timeout=60) for _ in range(200)]
    opened = [socket_opened(served) for _ in range(60)]
    assert set(opened) <= {101, 403, 503}
    page.get_by_role("button", name="put in a coin of 0.50").click()
    page.get_by_text("coin 0.50 put in").first.wait_for(timeout=60_000)
    for link in links:
        link.close()
    nothing_left(served, before)


@pytest.mark.parametrize("words, told", [
    (["--at", "0"], "--at"),
    (["nothing.toml"], "nothing.toml"),
])  # fmt: skip
def test_wrong_words(words, told):
    done = subprocess.run([sys.executable, "-m", "benchsim", "serve", *words], capture_output=True, text=True, timeout=60)
    assert done.returncode == 2 and told in done.stderr and "Traceback" not in done.stderr


def test_no_other_file_is_taken_for_a_book(tmp_path):
    (tmp_path / "letter.txt").write_text("dear all" * 200)
    command = [sys.executable, "-m", "benchsim", "serve", "--book", "letter.txt"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, cwd=tmp_path, check=False)
    assert done.returncode == 2 and "letter.txt: expected a book of drills or a new file" in done.stderr


def test_a_port_in_use_is_told_in_a_line(served):
    command = [sys.executable, "-m", "benchsim", "serve", "--at", str(served.port)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert done.returncode == 2
    assert done.stderr == f"benchsim: --at {served.port}: this port is in use, expected a free one\n"
