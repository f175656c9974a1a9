"""What stands between the network and the pages: who may ask, from where, and how much.

Every request names this server in ``Host`` (so that another name for it, as in DNS rebinding,
gets nothing); one that changes anything comes from its own pages by ``Origin``.  The first
address holds a token; it is changed for a cookie that other sites can't make the browser send.
Scripts run by the nonce of their page alone.
"""

from __future__ import annotations

import hmac
import secrets
from dataclasses import dataclass
from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING
from urllib.parse import parse_qs, urlencode

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

__all__ = ["LARGEST_UPLOAD", "TOO_LARGE", "Guard", "Keys"]

LARGEST_UPLOAD = 256 * 2**20
"""Largest request taken [bytes]: several of the largest records that are read."""

TOO_LARGE = "That is too much at once; send fewer or smaller files."
"""What is said of a request above the limit."""
_SAFE_METHODS = frozenset({"GET", "HEAD"})
_MOST_PASSED_OVER = 4 * 2**30
"""Most that is read of a request above the limit [bytes]: a browser hears the answer only then."""
_TOKEN = "token"
_MOST_SECONDS = 400 * 86400  # of a cookie: the longest that browsers keep (RFC 6265bis)


@dataclass(frozen=True, slots=True)
class Keys:
    """What opens the bench.

    Attributes
    ----------
    port : int
        Port of the server.
    token : str
        In the first address; another one each start.
    cookie : str
        Value of the cookie; the same each start, so that a page outlives its server.
    """

    port: int
    token: str
    cookie: str

    @property
    def hosts(self) -> frozenset[str]:
        """Names by which the server may be asked."""
        return frozenset(f"{name}:{self.port}" for name in ("127.0.0.1", "localhost"))

    @property
    def cookie_name(self) -> str:
        """Name of the cookie; ports share cookies, so that it holds the port."""
        return f"antecurve-{self.port}"

    @property
    def address(self) -> str:
        """The first address, with the token."""
        return f"http://127.0.0.1:{self.port}/?{urlencode({_TOKEN: self.token})}"


class Guard:
    """An application that lets only its own pages through to another.

    Parameters
    ----------
    inner : callable
        The application behind it.
    keys : Keys
        What opens it.
    largest : int, optional
        Largest request taken [bytes].
    """

    def __init__(self, inner: ASGIApp, keys: Keys, largest: int = LARGEST_UPLOAD) -> None:
        self._inner = inner
        self._keys = keys
        self._largest = largest

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or refuse, one request."""
        if scope["type"] == "lifespan":
            await self._inner(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        asked = _Asked(scope)
        refusal = self._refusal(asked)
        if refusal is not None:
            await _say(send, *refusal)
            return
        if not self._knows(asked):
            if asked.method == "GET" and self._holds_token(scope):
                await self._welcome(scope, send)
            else:
                await _say(send, 403, "Open the address that antecurve bench prints.")
            return
        if not self._is_small(asked):
            await _pass_over(receive)
            await _say(send, 413, TOO_LARGE)
            return
        await self._pass_on(scope, receive, send)

    def _refusal(self, asked: _Asked) -> tuple[int, str] | None:
        """Why a request is refused, whoever sends it."""
        if asked.header("host") not in self._keys.hosts:
            return 400, "This server answers to 127.0.0.1 and localhost alone."
        origin = asked.header("origin")
        own = {f"http://{host}" for host in self._keys.hosts}
        if origin is not None and origin not in own:
            return 403, "Requests from other sites are refused."
        if asked.method not in _SAFE_METHODS and origin is None:
            return 403, "A change must come from a page of this server."
        return None

    def _is_small(self, asked: _Asked) -> bool:
        """Whether a request states no size above the limit."""
        length = asked.header("content-length") or "0"
        return length.isascii() and length.isdigit() and int(length) <= self._largest

    def _knows(self, asked: _Asked) -> bool:
        cookies: SimpleCookie = SimpleCookie()
        try:
            cookies.load(asked.header("cookie") or "")
        except CookieError:
            return False
        morsel = cookies.get(self._keys.cookie_name)
        return morsel is not None and _same(morsel.value, self._keys.cookie)

    def _holds_token(self, scope: Scope) -> bool:
        given = parse_qs(scope["query_string"].decode("latin-1")).get(_TOKEN, [""])[0]
        return _same(given, self._keys.token)

    async def _welcome(self, scope: Scope, send: Send) -> None:
        """Change the token for the cookie; the address without it takes its place."""
        query = parse_qs(scope["query_string"].decode("latin-1"))
        query.pop(_TOKEN, None)
        beside = f"?{urlencode(query, doseq=True)}" if query else ""
        cookie = (
            f"{self._keys.cookie_name}={self._keys.cookie}; Path=/; HttpOnly; SameSite=Strict; "
            f"Max-Age={_MOST_SECONDS}"
        )
        path = "/" + scope["path"].lstrip("/")
        headers = [(b"location", f"{path}{beside}".encode("latin-1", "ignore")),
                   (b"set-cookie", cookie.encode())]  # fmt: skip
        await _say(send, 303, "", headers)

    async def _pass_on(self, scope: Scope, receive: Receive, send: Send) -> None:
        from starlette.exceptions import HTTPException

        taken = 0
        scope.setdefault("state", {})["nonce"] = nonce = secrets.token_urlsafe(16)

        async def counted() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > self._largest:
                if message.get("more_body", False):
                    await _pass_over(receive)
                raise HTTPException(413)
            return message

        async def with_policy(message: Message) -> None:
            if message["type"] == "http.response.start":
                message["headers"] = [*message["headers"], *_policy(message, nonce)]
            await send(message)

        await self._inner(scope, counted, with_policy)


class _Asked:
    """A request's method and headers."""

    def __init__(self, scope: Scope) -> None:
        self.method: str = scope["method"]
        self._headers: list[tuple[bytes, bytes]] = scope["headers"]

    def header(self, name: str) -> str | None:
        """One header; of several alike, which no browser sends, none counts."""
        values = [v.decode("latin-1") for k, v in self._headers if k.decode("latin-1") == name]
        return values[0] if len(values) == 1 else None


async def _pass_over(receive: Receive) -> None:
    """Read the rest of a request and keep none of it."""
    taken, more = 0, True
    while more and taken < _MOST_PASSED_OVER:
        message = await receive()
        taken += len(message.get("body", b""))
        more = message.get("more_body", False)


def _same(given: str, wanted: str) -> bool:
    return hmac.compare_digest(given.encode("utf-8", "replace"), wanted.encode())


def _policy(message: Message, nonce: str) -> list[tuple[bytes, bytes]]:
    """Headers of every page, but for those that the page sets itself."""
    policy = (
        f"default-src 'none'; script-src 'nonce-{nonce}'; style-src 'unsafe-inline'; "
        "img-src 'self' data:; connect-src 'self'; frame-src 'self'; form-action 'self'; "
        "base-uri 'none'; frame-ancestors 'none'"
    )
    headers = {
        b"content-security-policy": policy.encode(),
        b"x-content-type-options": b"nosniff",
        b"referrer-policy": b"same-origin",  # with none, browsers hide the origin of forms
        b"cross-origin-resource-policy": b"same-origin",
        b"cross-origin-opener-policy": b"same-origin",
        b"cache-control": b"no-store",
    }
    given = {name.lower() for name, _ in message["headers"]}
    return [(name, value) for name, value in headers.items() if name not in given]


async def _say(
    send: Send, status: int, sentence: str, headers: list[tuple[bytes, bytes]] | None = None
) -> None:
    """Answer with a sentence in plain text; the connection ends with it."""
    body = f"{sentence}\n".encode()
    start: Message = {"type": "http.response.start", "status": status, "headers": [
        (b"content-type", b"text/plain; charset=utf-8"),
        (b"content-length", str(len(body)).encode()),
        (b"connection", b"close"),
        *(headers or []),
    ]}  # fmt: skip
    start["headers"] += _policy(start, secrets.token_urlsafe(16))
    await send(start)
    await send({"type": "http.response.body", "body": body})
