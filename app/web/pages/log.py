"""Log: choose pieces, then what was done; the record as it was saved."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse, Response

from app.core.step_catalogue import PIECE_STEPS
from app.queries.correctable import MOVED
from app.queries.log import pieces_called, waiting_groups
from app.queries.records import Record, record_of
from app.queries.waits import Waiting
from app.web.deps import Reading
from app.web.log_form import codes_in, known_record
from app.web.render import page

router = APIRouter()

DONE = {f"/log/{name.replace('_', '-')}": step.label for name, step in PIECE_STEPS.items()} | {
    "/log/reflow-session": "Reflow",
    "/log/parting": "Parting",
}
SEEN = {
    "/log/undercut-measurement": "Undercut measurement",
    "/log/oxide-measurement": "Oxide measurement",
    "/log/inspection": "Inspection",
}
FATE = {"/log/loss": "Loss", "/log/whereabouts": "Whereabouts", "/log/ending": "Ending"}
KINDS = (("Done", DONE), ("Seen", SEEN), ("Where it is, or that it is gone", FATE))
"""Which addresses there are: those this server has are offered."""


@dataclass(frozen=True)
class LogContext:
    """Choosing pieces and what was done to them."""

    kinds: tuple[tuple[str, tuple[tuple[str, str], ...]], ...]
    groups: tuple[tuple[str, tuple[Waiting, ...]], ...]
    typed: str
    chosen: tuple[str, ...]
    elsewhere: tuple[str, ...]
    """Chosen pieces that are not in the list: nothing is in work on them, but they were named."""
    error: str


@dataclass(frozen=True)
class RecordContext:
    """One record as it stands."""

    record: Record
    saved: bool
    more: tuple[Record, ...]
    next_query: str
    can_correct: bool
    move_query: str
    """Names the device it was logged for, where it may belong to another."""


@router.get("/log")
def log(request: Request, session: Reading, pieces: str = "", to: str = "") -> Response:
    """Pieces by code or from the list, then a key for what was done: it leads to that form."""
    ticked = [code for code in request.query_params.getlist("p") if code]
    codes = [*codes_in(pieces), *ticked]
    found, unknown = pieces_called(session, codes)
    error = ""
    if to in _offered(request):
        if unknown:
            error = f"No piece is called {', '.join(unknown[:4])}."
        else:
            query = f"?pieces={quote(','.join(piece.code for piece in found))}" if found else ""
            return RedirectResponse(f"{to}{query}", status_code=303)
    groups = tuple(waiting_groups(session, datetime.now(UTC)))
    offered = _offered(request)
    kinds = tuple((name, tuple((to, words) for to, words in some.items() if to in offered)) for name, some in KINDS)
    chosen = tuple(piece.code for piece in found)
    listed = {each.piece.code for _, some in groups for each in some}
    elsewhere = tuple(code for code in chosen if code not in listed)
    error = error or (f"No piece is called {', '.join(unknown[:4])}." if unknown else "")
    return page(request, "log/log.html", LogContext(kinds, groups, " ".join(unknown), chosen, elsewhere, error))


def _offered(request: Request) -> frozenset[str]:
    paths: frozenset[str] = request.app.state.frame.paths
    return paths


@router.get("/log/record/{event_id}")
def record(request: Request, session: Reading, event_id: int, saved: str = "", also: str = "") -> Response:
    """A record as it stands; after saving, with what comes next."""
    found = known_record(session, event_id)
    others = [record_of(session, int(each)) for each in also.split(",")[:60] if each.isdecimal() and len(each) < 10]
    more = tuple(each for each in others if each is not None)
    codes = [code for code, path in found.places if not path.startswith("/devices/")]
    query = f"?{urlencode({'pieces': ','.join(codes)})}" if codes else ""
    context = RecordContext(found, bool(saved), more, query, not found.voided, _move_query(found))
    return page(request, "log/record.html", context)


def _move_query(found: Record) -> str:
    devices = [code for code, path in found.places if path.startswith("/devices/")]
    if found.voided or found.kind not in MOVED or not devices:
        return ""
    return urlencode({"from": devices[0], "events": found.id})
