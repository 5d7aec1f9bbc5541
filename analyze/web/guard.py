"""Who may ask the page for what: Host, Origin, token, size of a request; and what every answer forbids the browser.

The page shows a folder of this machine to one person. A web site that is open in the same browser can send requests
here too, under names of its own making, so a request counts only where it names this address as its Host, comes
from this page (Origin) if it changes something, and carries the token that was printed when the page was opened.
A phone that was paired has a token of its own, good for its own paths alone.
"""

import secrets
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie

from fastapi import HTTPException
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

BODY_LIMIT = 256 * 1024  # bytes; decisions, clicks and settings are far smaller
CHUNK_LIMIT = 8 * 1024 * 1024  # bytes of one piece of an upload
CHUNK_PATHS = "/api/phone/uploads/"
_DIGITS = 12  # of a length; Python refuses to read numbers of thousands

# Nothing from elsewhere, nothing inline, no framing.
CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; "
    "font-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
OPENER_POLICY = "Cross-Origin-Opener-Policy"
HEADERS = {
    "Content-Security-Policy": CONTENT_POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    OPENER_POLICY: "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
    "Cache-Control": "no-store",
}
_LOOPBACK = ("127.0.0.1", "::1")
_OPEN_PAGES, _OPEN_PATHS = ("/enter", "/pair"), "/static/"
_PHONE_PAGE, _PHONE_PATHS = "/phone", "/api/phone/"
_SAFE = ("GET", "HEAD")


@dataclass(kw_only=True)
class Keys:
    """The tokens that open the page, and the names that it answers to.

    Attributes
    ----------
    port : int
        Where it listens; part of the cookies' names, as cookies do not tell ports apart.
    token : str
        Of the person at this machine.
    phones : set of str
        Tokens of paired phones.
    hosts : frozenset of str
        What the Host header may say.
    """

    port: int
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    phones: set[str] = field(default_factory=set)
    hosts: frozenset[str] = frozenset()
    _tickets: set[str] = field(default_factory=set)

    @property
    def desk_cookie(self) -> str:
        """Name of the cookie with the token."""
        return f"railread-{self.port}"

    @property
    def phone_cookie(self) -> str:
        """Name of the cookie of a paired phone."""
        return f"railread-phone-{self.port}"

    def is_desk(self, said: str) -> bool:
        """Whether this is the token of the person at this machine."""
        return secrets.compare_digest(said.encode(), self.token.encode())

    def ticket(self) -> str:
        """Return something that opens the page once, instead of the token.

        For the command line that starts the browser, which everybody on this machine can read.
        """
        ticket = secrets.token_urlsafe(24)
        self._tickets.add(ticket)
        return ticket

    def enters(self, said: str) -> bool:
        """Whether this is the token, or a ticket that is used up by that."""
        if self.is_desk(said):
            return True
        used = {ticket for ticket in self._tickets if secrets.compare_digest(said.encode(), ticket.encode())}
        self._tickets -= used
        return bool(used)

    def is_phone(self, said: str) -> bool:
        """Whether this is the token of a paired phone."""
        return any([secrets.compare_digest(said.encode(), known.encode()) for known in self.phones])


def local_hosts(port: int) -> frozenset[str]:
    """Return what a browser on this machine may call the page."""
    return frozenset(f"{name}:{port}" for name in ("127.0.0.1", "localhost", "[::1]"))


class Guard:
    """Lets a request through to the page, or answers it with a clear refusal.

    Parameters
    ----------
    app : ASGI application
        The page.
    keys : Keys
        Tokens and names.
    """

    def __init__(self, app: ASGIApp, keys: Keys) -> None:
        self._app = app
        self._keys = keys

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return  # nothing here speaks anything else
        refused = self._refusal(scope)
        if refused is not None:
            status, sentence = refused
            await PlainTextResponse(sentence, status, headers=HEADERS)(scope, receive, send)
            return
        # Browsers heed this one for encrypted pages and those of their own machine, and complain of it elsewhere.
        elsewhere = _host(scope) not in local_hosts(self._keys.port)
        leave_out = frozenset({OPENER_POLICY}) if elsewhere else frozenset[str]()
        await self._app(scope, _counted(receive, _limit(scope["path"])), _with_headers(send, leave_out))

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        headers = {name.decode("latin-1"): value.decode("latin-1") for name, value in scope["headers"]}
        host = headers.get("host", "")
        if host not in self._keys.hosts:
            return 421, "This address is not the one that railread printed; open that one."
        if scope["method"] not in _SAFE and headers.get("origin") != f"http://{host}":
            return 403, "Changes are taken from railread's own page alone."
        length = headers.get("content-length", "0")
        if not length.isdecimal() or len(length) > _DIGITS or int(length) > _limit(scope["path"]):
            return 413, TOO_LARGE
        path = scope["path"]
        if path in _OPEN_PAGES or path.startswith(_OPEN_PATHS):
            return None
        cookies = _cookies(headers.get("cookie", ""))
        at_home = (scope.get("client") or ("",))[0] in _LOOPBACK
        if at_home and self._keys.is_desk(cookies.get(self._keys.desk_cookie, "")):
            return None
        for_phones = path == _PHONE_PAGE or path.startswith(_PHONE_PATHS)
        if for_phones and self._keys.is_phone(cookies.get(self._keys.phone_cookie, "")):
            return None
        return 401, "Open the whole address that `railread open` printed, with the token at its end."


TOO_LARGE = "That is more than the page takes at once."


def _limit(path: str) -> int:
    return CHUNK_LIMIT if path.startswith(CHUNK_PATHS) else BODY_LIMIT


def _cookies(header: str) -> dict[str, str]:
    try:
        return {name: morsel.value for name, morsel in SimpleCookie(header).items()}
    except CookieError:
        return {}


def _counted(receive: Receive, limit: int) -> Receive:
    taken = 0

    async def counted() -> Message:
        nonlocal taken
        message = await receive()
        taken += len(message.get("body", b""))
        if taken > limit:
            raise HTTPException(413, TOO_LARGE)  # it goes on beyond what its header said
        return message

    return counted


def _host(scope: Scope) -> str:
    return next((value.decode("latin-1") for name, value in scope["headers"] if name == b"host"), "")


def _with_headers(send: Send, leave_out: frozenset[str]) -> Send:
    async def sent(message: Message) -> None:
        if message["type"] == "http.response.start":
            there = {name.lower() for name, _ in message["headers"]}
            message["headers"] = [
                *message["headers"],
                *(
                    (name.lower().encode(), value.encode())
                    for name, value in HEADERS.items()
                    if name.lower().encode() not in there and name not in leave_out
                ),
            ]
        await send(message)

    return sent
