"""The code field of every page: what was read or typed leads to its page."""

from __future__ import annotations

from dataclasses import dataclass

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from app.core.vocab import PIECE_KINDS
from app.queries.codes import Found, NotFound, find
from app.web.deps import Reading
from app.web.render import page

router = APIRouter()
WORDS = {**PIECE_KINDS, "device": "Device", "lot": "Lot", "mask": "Mask", "tool": "Tool"}


@dataclass(frozen=True)
class FindContext:
    """Nothing has this code."""

    answer: NotFound
    kinds: dict[str, str]


@router.get("/find")
def find_code(request: Request, session: Reading, code: str = "") -> Response:
    """On to whatever has this code; else what it may have been meant to be."""
    if not code.strip():
        return page(request, "pieces/find.html", FindContext(NotFound(""), WORDS))
    answer = find(session, code)
    if isinstance(answer, Found):
        return RedirectResponse(answer.path, status_code=303)
    return page(request, "pieces/find.html", FindContext(answer, WORDS), status=404)
