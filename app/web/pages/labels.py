"""Labels: the code of a piece or device as a QR picture that any reader types into the code field."""

from __future__ import annotations

import io

from fastapi import APIRouter, HTTPException
from fastapi.responses import Response

from app.queries.codes import Found, find
from app.web.deps import Reading

router = APIRouter()


@router.get("/labels/{code}.svg")
def label(code: str, session: Reading) -> Response:
    """The QR picture of a code that something has; it holds the code alone, so it stays true wherever the lab moves."""
    import segno  # only pages that are printed need it

    found = find(session, code)
    if not isinstance(found, Found):
        raise HTTPException(404, f"Nothing is called {code[:60]}, so it has no label.")
    drawn = io.BytesIO()
    segno.make(found.code, error="m", micro=False).save(drawn, kind="svg", xmldecl=False, scale=4, border=2)
    return Response(drawn.getvalue(), media_type="image/svg+xml")
