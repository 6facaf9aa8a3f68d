"""Who may speak to the page: checked for every request and every socket before anything else sees it.

A browser that shows somebody else's page sends that page's address as Origin, and a name that was bent to this
computer stands in Host: both are refused. Any address but this computer's own needs the token as well, given once
in the address (`?token=…`) and kept in a cookie that scripts cannot read.
"""

from http.cookies import CookieError, SimpleCookie
from secrets import compare_digest
from urllib.parse import parse_qs, urlsplit

COOKIE = "benchsim-token"
MOST_SOCKETS = 40  # pages open at once
LOOPBACK = ("127.0.0.1", "localhost", "::1")


def authority(host: str, port: int) -> str:
    """HOST:PORT as browsers write it."""
    return f"[{host}]:{port}" if ":" in host else f"{host}:{port}"


class Guard:
    """ASGI. `hosts`: what Host may be; `token`: "" where none is needed."""

    def __init__(self, app, hosts: list[str], token: str = ""):
        self.app, self.hosts, self.token = app, frozenset(hosts), token
        self.sockets = 0

    async def __call__(self, scope, receive, send) -> None:
        """Pass on what is allowed."""
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        headers = {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in scope["headers"]}
        why = self._refused(scope, headers)
        if why:
            await _refuse(scope, receive, send, *why)
        elif scope["type"] == "websocket":
            self.sockets += 1
            try:
                await self.app(scope, receive, send)
            finally:
                self.sockets -= 1
        else:
            await self.app(scope, receive, self._with_cookie(scope, send))

    def _refused(self, scope, headers: dict[str, str]) -> tuple[int, str] | None:
        if headers.get("host", "").lower() not in self.hosts:
            return 421, "this bench does not answer to that name"
        origin = headers.get("origin")
        if origin is not None and _authority_of(origin) not in self.hosts:
            return 403, "another page may not speak to this bench"
        if self.token and not any(_same(given, self.token) for given in _given(scope, headers)):
            return 401, "expected the address with its token, as `benchsim serve` printed it"
        if scope["type"] == "websocket" and self.sockets >= MOST_SOCKETS:
            return 503, f"{MOST_SOCKETS} pages are open already"
        return None

    def _with_cookie(self, scope, send):
        asked = parse_qs(scope.get("query_string", b"").decode("latin-1")).get("token", [])
        if not self.token or not any(_same(one, self.token) for one in asked):
            return send
        cookie = f"{COOKIE}={self.token}; HttpOnly; SameSite=Strict; Path=/"

        async def sending(message) -> None:
            if message["type"] == "http.response.start":
                message = {**message, "headers": [*message.get("headers", []), (b"set-cookie", cookie.encode())]}
            await send(message)

        return sending


def _authority_of(origin: str) -> str:
    """HOST:PORT of an Origin; "" of what is none."""
    try:
        return urlsplit(origin).netloc.lower()
    except ValueError:
        return ""


def _same(given: str, token: str) -> bool:
    return compare_digest(given.encode("utf-8", "replace"), token.encode())


def _given(scope, headers: dict[str, str]) -> list[str]:
    asked = parse_qs(scope.get("query_string", b"").decode("latin-1")).get("token", [])
    try:
        kept = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        kept = None
    return [*asked, *([kept.value] if kept else [])]


async def _refuse(scope, receive, send, status: int, why: str) -> None:
    if scope["type"] == "websocket":
        await receive()  # the handshake
        await send({"type": "websocket.close", "code": 1008, "reason": why[:120]})
        return
    body = (why + "\n").encode()
    plain = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": status, "headers": plain})
    await send({"type": "http.response.body", "body": body})
