"""Who may speak to the page (Origin and Host: RFC 6454 §7, RFC 9110 §7.2; WebSocket: RFC 6455 §10.2)."""

import asyncio

import pytest

from benchsim.web.guard import COOKIE, MOST_SOCKETS, Guard, authority

HERE = "127.0.0.1:8517"


async def inner(scope, receive, send):
    """Whatever is behind the guard: it says so."""
    if scope["type"] == "websocket":
        await receive()
        await send({"type": "websocket.accept"})
        await scope["until"].wait()
        return
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b"in"})


def asked(guard, kind="http", query="", until=None, **headers):
    """What the guard sends for one request."""
    sent = []
    scope = {
        "type": kind, "query_string": query.encode(), "until": until,
        "headers": [(name.encode(), value.encode()) for name, value in ({"host": HERE} | headers).items()],
    }  # fmt: skip

    async def receive():
        return {"type": f"{kind}.connect"}

    async def send(message):
        sent.append(message)

    return guard(scope, receive, send), sent


def status(guard, **what):
    call, sent = asked(guard, **what)
    asyncio.run(call)
    return sent[0].get("status", sent[0]["type"])


@pytest.mark.parametrize("headers, expected", [
    ({}, 200),
    ({"origin": f"http://{HERE}"}, 200),
    ({"origin": "http://evil.example"}, 403),
    ({"origin": "null"}, 403),
    ({"origin": "http://[::1"}, 403),  # no authority at all (RFC 3986 §3.2.2)
    ({"origin": f"http://{HERE}.evil.example"}, 403),
    ({"origin": "http://127.0.0.1:9999"}, 403),
    ({"host": "evil.example:8517"}, 421),
    ({"host": ""}, 421),
])  # fmt: skip
def test_only_its_own_page_at_its_own_name(headers, expected):
    assert status(Guard(inner, [HERE]), **headers) == expected


@pytest.mark.parametrize("headers", [{"origin": "http://evil.example"}, {"host": "evil.example"}])
def test_a_foreign_page_opens_no_socket(headers):
    assert status(Guard(inner, [HERE]), kind="websocket", **headers) == "websocket.close"


@pytest.mark.parametrize("what, expected", [
    ({}, 401),
    ({"query": "token=wrong"}, 401),
    ({"query": "token="}, 401),
    ({"query": "token=right"}, 200),
    ({"query": "token=wrong&token=right"}, 200),
    ({"cookie": f"{COOKIE}=right"}, 200),
    ({"cookie": f"{COOKIE}=wrong"}, 401),
    ({"cookie": "\x00;;=,"}, 401),
    ({"query": "token=%FF%FE"}, 401),
])  # fmt: skip
def test_the_token(what, expected):
    assert status(Guard(inner, [HERE], "right"), **what) == expected


def test_the_token_is_kept_where_scripts_cannot_read_it():
    call, sent = asked(Guard(inner, [HERE], "right"), query="token=right")
    asyncio.run(call)
    cookie = dict(sent[0]["headers"])[b"set-cookie"].decode()
    assert cookie.startswith(f"{COOKIE}=right") and "HttpOnly" in cookie and "SameSite=Strict" in cookie
    call, sent = asked(Guard(inner, [HERE], "right"), cookie=f"{COOKIE}=right")
    asyncio.run(call)
    assert b"set-cookie" not in dict(sent[0]["headers"])


def test_so_many_sockets_and_no_more():
    async def main():
        guard, until = Guard(inner, [HERE]), asyncio.Event()
        calls = [asked(guard, kind="websocket", until=until) for _ in range(MOST_SOCKETS + 5)]
        tasks = [asyncio.create_task(call) for call, _ in calls]
        await asyncio.sleep(0.01)
        kinds = [sent[0]["type"] for _, sent in calls]
        assert kinds.count("websocket.accept") == MOST_SOCKETS and kinds.count("websocket.close") == 5
        until.set()
        await asyncio.gather(*tasks)
        assert guard.sockets == 0

    asyncio.run(main())


def test_addresses_as_browsers_write_them():
    assert authority("127.0.0.1", 80) == "127.0.0.1:80" and authority("::1", 80) == "[::1]:80"
