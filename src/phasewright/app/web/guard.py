"""Who may ask, and for what: host, origin, token, size. Runs before any routing, and nothing is answered around it.

A loopback address keeps nobody out: any page in the user's browser can send requests to it, a foreign name can be
made to resolve to it, and other users of the machine can reach it. So every request must name this server as its host;
whatever changes something must come from our own page, carry the token in a header that no foreign page can send, and
be JSON or raw bytes; whatever shows a campaign needs the session that the token opens.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

Receive = Callable[[], Awaitable[dict[str, Any]]]
Send = Callable[[dict[str, Any]], Awaitable[None]]

TOKEN_HEADER = b"x-phasewright-token"
OPEN_PATH = "/session"
"""Where the token is handed over for a session."""
BODY_MOST = 1 << 20
"""Greatest body of anything but a log [byte]."""
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; font-src 'self'; connect-src 'self'; "
    "object-src 'none'; base-uri 'none'; frame-ancestors 'none'; form-action 'self'; "
    "require-trusted-types-for 'script'; trusted-types default"
)
HEADERS: tuple[tuple[bytes, bytes], ...] = (
    (b"content-security-policy", POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cross-origin-embedder-policy", b"require-corp"),
    (b"x-frame-options", b"DENY"),
    (b"permissions-policy", b"camera=(), geolocation=(), microphone=(), usb=(), serial=(), payment=()"),
)
_READING, _CHANGING = ("GET", "HEAD"), ("POST", "PUT", "DELETE")


@dataclass(frozen=True, slots=True)
class Gate:
    """What lets somebody in: the addresses of this server, its token and its session."""

    port: int
    token: str = field(default_factory=lambda: secrets.token_urlsafe(32), repr=False)
    session: str = field(default_factory=lambda: secrets.token_urlsafe(32), repr=False)
    upload_most: int = 8 << 30
    """Greatest log that is taken [byte]."""

    @property
    def hosts(self) -> frozenset[str]:
        """Names under which this server may be asked."""
        return frozenset(f"{name}:{self.port}" for name in ("127.0.0.1", "[::1]", "localhost"))

    @property
    def origins(self) -> frozenset[str]:
        """Origins of our own pages."""
        return frozenset(f"http://{host}" for host in self.hosts)

    @property
    def cookie(self) -> str:
        """Name of the session's cookie; cookies do not know ports, so it carries the port."""
        return f"phasewright-{self.port}"

    def opens(self, token: str) -> bool:
        """Tell whether `token` is the one of this start."""
        return hmac.compare_digest(token.encode("utf-8", "replace"), self.token.encode())


class Refused(Exception):
    """A request that is not answered, and why."""

    def __init__(self, status: int, what: str, headers: tuple[tuple[bytes, bytes], ...] = ()):
        self.status, self.what, self.headers = status, what, headers
        super().__init__(what)


class TooLarge(Refused):
    """A body that grew beyond its cap while it was read."""


def _values(scope: Mapping[str, Any], name: bytes) -> list[str]:
    return [value.decode("latin-1") for key, value in scope["headers"] if key.lower() == name]


def check_host(gate: Gate, scope: Mapping[str, Any]) -> None:
    """Raise Refused unless the request names this server, exactly once."""
    hosts = _values(scope, b"host")
    if len(hosts) != 1 or hosts[0].lower() not in gate.hosts:
        raise Refused(421, f"This server answers to 127.0.0.1:{gate.port} only. Open the address that was printed.")


def check_origin(gate: Gate, scope: Mapping[str, Any], changing: bool) -> None:
    """Raise Refused for what a foreign page asks; what changes something must say that it comes from ours."""
    origins = _values(scope, b"origin")
    sites = _values(scope, b"sec-fetch-site")
    if any(origin not in gate.origins for origin in origins) or len(origins) > 1 or (changing and not origins):
        raise Refused(403, "Only the pages of this server may ask for that.")
    navigation = not changing and _values(scope, b"sec-fetch-mode") == ["navigate"]
    if any(site not in ("same-origin", "none") for site in sites) and not navigation:
        raise Refused(403, "Only the pages of this server may ask for that.")


def has_token(gate: Gate, scope: Mapping[str, Any]) -> bool:
    """Tell whether the request carries the token, exactly once."""
    tokens = _values(scope, TOKEN_HEADER)
    return len(tokens) == 1 and gate.opens(tokens[0])


def has_session(gate: Gate, scope: Mapping[str, Any]) -> bool:
    """Tell whether the request belongs to a session that the token has opened."""
    for line in _values(scope, b"cookie"):
        for pair in line.split(";"):
            name, _, value = pair.strip().partition("=")
            if name == gate.cookie and hmac.compare_digest(value.encode("latin-1"), gate.session.encode()):
                return True
    return False


def body_cap(gate: Gate, scope: Mapping[str, Any]) -> int:
    """Return how many bytes the body may have; raises Refused for a kind of body that is not taken."""
    kinds = _values(scope, b"content-type")
    kind = kinds[0].partition(";")[0].strip().lower() if len(kinds) == 1 else ""
    if scope["method"] == "PUT":
        if kind != "application/octet-stream":
            raise Refused(415, "A log is sent as application/octet-stream.")
        cap = gate.upload_most
    else:
        if kind != "application/json":
            raise Refused(415, "Changes are asked for in JSON.")
        cap = BODY_MOST
    lengths = _values(scope, b"content-length")
    if lengths and (len(lengths) > 1 or not lengths[0].isdecimal() or int(lengths[0]) > cap):
        raise TooLarge(413, f"That is more than the {cap} bytes that are taken.")
    return cap


class Guard:
    """ASGI application around another one: refuses what must not pass, and puts the headers on every answer."""

    def __init__(
        self, inner: Callable[..., Awaitable[None]], gate: Gate, door: Callable[[int, str], bytes],
        methods: Callable[[str], frozenset[str]] = lambda path: frozenset(),
    ):  # fmt: skip
        self.inner, self.gate, self.door, self.methods = inner, gate, door, methods
        """`methods` gives what an address takes; nothing = there is no such address."""

    async def __call__(self, scope: dict[str, Any], receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] == "lifespan":
            await self.inner(scope, receive, send)
            return
        if scope["type"] != "http":
            await receive()
            await send({"type": "websocket.close", "code": 1008})
            return
        begun = False

        async def answer(message: dict[str, Any]) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                message = {**message, "headers": _with_ours(message.get("headers", ()))}
            await send(message)

        try:
            cap = self._pass(scope)
            await self.inner(scope, _capped(receive, cap), answer)
        except Refused as refused:
            if not begun:
                await self._refuse(scope, refused, answer)
        except Exception:
            # The application has answered and logged it under an id; the server would print the story over many lines.
            if not begun:
                await self._refuse(scope, Refused(500, "Something unforeseen happened; nothing was changed."), answer)

    def _pass(self, scope: dict[str, Any]) -> int:
        """Return the cap of the body; raises Refused."""
        gate, method, path = self.gate, scope["method"], scope["path"]
        check_host(gate, scope)
        if method not in _READING + _CHANGING:
            raise self._not_taken(path)
        changing = method in _CHANGING
        check_origin(gate, scope, changing)
        if changing:
            if not has_token(gate, scope):
                raise Refused(403, "The token of this start is missing. Open the address that was printed.")
            if method not in (self.methods(path) or _CHANGING):
                raise self._not_taken(path)
            return body_cap(gate, scope)
        if not path.startswith("/static/") and not has_session(gate, scope) and not has_token(gate, scope):
            raise Refused(401, "")
        if method not in (self.methods(path) or _READING):
            raise self._not_taken(path)
        return 0

    def _not_taken(self, path: str) -> Refused:
        allowed = ", ".join(sorted(self.methods(path) or _READING))
        return Refused(405, "This address does not take that.", ((b"allow", allowed.encode()),))

    async def _refuse(self, scope: dict[str, Any], refused: Refused, send: Send) -> None:
        body = self.door(refused.status, refused.what)
        # The way in is no error: somebody who has the token in the address begins there.
        status = 200 if refused.status == 401 and scope["path"] == "/" else refused.status
        headers = [
            (b"content-type", b"text/html; charset=utf-8"), (b"content-length", str(len(body)).encode()),
            (b"cache-control", b"no-store"), (b"connection", b"close"), *refused.headers,
        ]  # fmt: skip
        await send({"type": "http.response.start", "status": status, "headers": headers})
        await send({"type": "http.response.body", "body": b"" if scope["method"] == "HEAD" else body})


def _capped(receive: Receive, cap: int) -> Receive:
    taken = 0

    async def capped() -> dict[str, Any]:
        nonlocal taken
        message = await receive()
        if message["type"] == "http.request":
            taken += len(message.get("body", b""))
            if taken > cap:
                raise TooLarge(413, f"That is more than the {cap} bytes that are taken.")
        return message

    return capped


def _with_ours(headers: Any) -> list[tuple[bytes, bytes]]:
    kept = list(headers)
    names = {name.lower() for name, _ in kept}
    kept += [(name, value) for name, value in HEADERS if name not in names]
    if b"cache-control" not in names:
        kept.append((b"cache-control", b"no-store"))
    return kept
