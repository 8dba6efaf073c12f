"""Guards at the door: which hosts are answered, where a change may come from, what a browser may load.

Written as plain ASGI so that a refused request costs nothing and no response leaves without its headers.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from urllib.parse import urlsplit

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

CHANGES = frozenset({"POST", "PUT", "PATCH", "DELETE"})
CONTENT_SECURITY_POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' data:",
        "font-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
HEADERS = {
    "content-security-policy": CONTENT_SECURITY_POLICY,
    "x-content-type-options": "nosniff",
    # Not no-referrer: browsers would then send `Origin: null` with our own forms.
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "x-frame-options": "DENY",
    "permissions-policy": "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
}


class Guard:
    """Answers only `hosts`, refuses changes that another site asks for, adds the headers to every response.

    A body that says it is longer than `limit_bytes` is answered by `too_large`; the framework cuts off one that lies.
    """

    def __init__(
        self, app: ASGIApp, hosts: Iterable[str], limit_bytes: int, too_large: Callable[[Request], Response]
    ) -> None:
        self.app = app
        self.limit_bytes = limit_bytes
        self.too_large = too_large
        self.hosts = frozenset(host.lower().strip("[]") for host in hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                # Pages are asked for anew, yet Back still finds what stood on a form.
                headers.setdefault("cache-control", "no-cache, private")
            await send(message)

        headers = Headers(scope=scope)
        if _host(headers.get("host", "")) not in self.hosts:
            refusal = PlainTextResponse("This name is not one Marver answers to (MARVER_HOSTS).", 400)
            await refusal(scope, receive, send_guarded)
        elif scope["method"] in CHANGES and not comes_from_here(headers):
            refusal = PlainTextResponse("Refused: this change was asked for by another site. Nothing was saved.", 403)
            await refusal(scope, receive, send_guarded)
        elif _length(headers) > self.limit_bytes:
            answer = await run_in_threadpool(self.too_large, Request(scope))
            await answer(scope, receive, send_guarded)
        else:
            await self.app(scope, receive, send_guarded)


def comes_from_here(headers: Headers) -> bool:
    """Whether a change was asked for by one of our own pages, or by a program that is no browser.

    Every browser sends `Origin` with a change; `null` (a sandboxed or local page) is another site. A program
    sends neither `Origin` nor `Sec-Fetch-Site` and carries no one's cookies but its own.
    """
    if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        return False
    origins = headers.getlist("origin")
    if not origins:
        return True
    return len(origins) == 1 and _same_place(origins[0], headers.get("host", ""))


def _same_place(origin: str, host: str) -> bool:
    try:
        parts = urlsplit(origin)
        port = parts.port or {"http": 80, "https": 443}.get(parts.scheme)
        here = urlsplit(f"//{host}")
        # A proxy may have ended TLS, so a host without a port stands for the origin's own scheme.
        here_port = here.port or {"http": 80, "https": 443}.get(parts.scheme)
    except ValueError:
        return False
    return (
        parts.scheme in ("http", "https")
        and bool(parts.hostname)
        and parts.hostname == here.hostname
        and port == here_port
    )


def _length(headers: Headers) -> int:
    length = headers.get("content-length", "0")
    return int(length) if length.isdecimal() and len(length) < 19 else 0


def _host(header: str) -> str:
    try:
        return (urlsplit(f"//{header}").hostname or "").lower()
    except ValueError:
        return ""


def local_path(target: str, otherwise: str = "/") -> str:
    """`target` if it is a path on this server, so that a form's way back cannot lead to another site."""
    plain = target.startswith("/") and not target.startswith("//") and "\\" not in target
    return target if plain and target.isprintable() and len(target) <= 2000 else otherwise
