"""What a person or a program is told when something is not so: pages in our look, problem documents under /api."""

from __future__ import annotations

import logging
import sqlite3
from dataclasses import dataclass
from typing import Any

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, Response
from sqlalchemy.exc import SQLAlchemyError
from starlette.exceptions import HTTPException

from app.core.refusal import Refusal
from app.db.trouble import trouble_of
from app.web.render import page

log = logging.getLogger("marver")

_SAID = {
    400: ("This request cannot be read", "Go back and try again."),
    403: ("Not allowed", "Nothing was changed."),
    404: (
        "There is nothing at this address",
        "Check the code you typed, or start from one of the pages above.",
    ),
    405: ("This address does not take that", "Go back and use the page's own buttons."),
    409: ("Not saved", "Nothing was saved."),
    413: ("The file is too large", "Nothing was saved. Send a smaller file, or several."),
    422: ("Something in this address or form cannot be read", "Nothing was saved."),
    503: ("Not now", "Nothing was saved."),
    500: ("Something broke inside Marver", "What you were saving was not saved, and nothing was half-saved."),
}


@dataclass(frozen=True)
class SaidContext:
    """A page that says one thing: `lines` are what is wrong, place by place; `kept` what became of the input."""

    status: int
    title: str
    kept: str
    lines: tuple[str, ...] = ()


def is_api(request: Request) -> bool:
    """Whether a program asked: such answers are problem documents (RFC 9457)."""
    return request.url.path.startswith("/api/")


def problem(status: int, title: str, detail: str = "", **more: Any) -> JSONResponse:
    """An RFC 9457 problem document; `more` are its extension members."""
    body = {
        "type": "about:blank",
        "title": title,
        "status": status,
        **({"detail": detail} if detail else {}),
        **more,
    }
    return JSONResponse(body, status_code=status, media_type="application/problem+json")


def said(request: Request, status: int, lines: tuple[str, ...] = (), *, title: str = "", kept: str = "") -> Response:
    """The page or problem document for `status`."""
    words, what_now = _SAID.get(status, _SAID[400] if status < 500 else _SAID[500])
    title, kept = title or words, kept or what_now
    if is_api(request):
        return problem(status, title, " ".join(lines))
    return page(request, "errors/said.html", SaidContext(status, title, kept, lines), status=status)


def _refused(request: Request, refusal: Exception) -> Response:
    assert isinstance(refusal, Refusal)  # noqa: S101
    if is_api(request):
        errors = [{"row": row, "field": at, "message": text} for (row, at), text in refusal.errors.items()]
        confirmable = [{"row": row, "field": at, "message": text} for (row, at), text in refusal.confirmable.items()]
        return problem(409, "Refused", str(refusal), errors=errors, confirmable=confirmable)
    lines = tuple(
        text if row is None else f"Row {row + 1}: {text}"
        for (row, _), text in {**refusal.errors, **refusal.confirmable}.items()
    )
    return said(request, 409, lines, kept=refusal.kept)


def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)  # noqa: S101
    words = error.detail if error.detail and _own_words(error) else ""
    response = said(request, error.status_code, (words,) if words else ())
    response.headers.update(error.headers or {})
    return response


def _own_words(error: HTTPException) -> bool:
    """Whether a page said why, rather than the framework's stock phrase."""
    return error.detail not in ("Not Found", "Method Not Allowed")


def _unreadable(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)  # noqa: S101
    lines = tuple(f"{'.'.join(str(part) for part in each['loc'][1:])}: {each['msg']}" for each in error.errors())
    if is_api(request):
        errors = [{"row": None, "field": line.partition(": ")[0], "message": line.partition(": ")[2]} for line in lines]
        return problem(422, "Malformed input", " ".join(lines), errors=errors)
    return said(request, 422, lines)


_TROUBLE_STATUS = {"full": 507}
_RETRY_S = 5


def _troubled(request: Request, error: Exception) -> Response:
    """The database or the disk could not: said with what settles it; anything else of theirs is a bug."""
    trouble = trouble_of(error)
    if trouble is None:
        raise error
    log.error("%s %s: %s", request.method, request.url.path, trouble.what, exc_info=error)
    status = _TROUBLE_STATUS.get(trouble.kind, 503)
    if request.method == "GET":
        title, kept = "This page cannot be shown now", "What was saved before is left as it is."
    else:
        title = "Not saved"
        kept = "Nothing was saved, and nothing was half-saved. What you typed is kept: press Back and save again."
    response = said(request, status, (trouble.what, trouble.settles), title=title, kept=kept)
    if status == 503:
        response.headers["retry-after"] = str(_RETRY_S)
    return response


def _broke(request: Request, error: Exception) -> Response:
    log.error("%s %s broke", request.method, request.url.path, exc_info=error)
    return said(request, 500)


def add_handlers(app: FastAPI) -> None:
    """Teach `app` to say each kind of no."""
    app.add_exception_handler(Refusal, _refused)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(RequestValidationError, _unreadable)
    for kind in (SQLAlchemyError, sqlite3.Error, OSError):
        app.add_exception_handler(kind, _troubled)
    app.add_exception_handler(Exception, _broke)
