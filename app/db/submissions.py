"""One submission, once: the key of a form goes with what was typed and what was answered."""

from __future__ import annotations

import hashlib
from datetime import datetime
from typing import Any

from sqlalchemy import insert
from sqlalchemy.orm import Session

from app.core.refusal import AlreadySavedDifferently
from app.db.audit import canonical
from app.db.models.audit import Submission


def body_hash(body: Any) -> str:
    """SHA-256 of the canonical text of what was sent."""
    return hashlib.sha256(canonical({"body": body}).encode()).hexdigest()


def answer_of(session: Session, key: str, body: Any) -> Submission | None:
    """The submission saved before under this key; a Refusal where its content was another."""
    known = session.get(Submission, key)
    if known is not None and known.body_hash != body_hash(body):
        raise AlreadySavedDifferently(
            {(None, None): "This form was already saved with other content: correct that record, or save this as new."}
        )
    return known


def keep_answer(
    session: Session,
    key: str,
    body: Any,
    operator_id: int | None,
    result: Any,
    at: datetime,
) -> None:
    """Remember the answer in the deed's own transaction; a refused save never gets here."""
    session.execute(
        insert(Submission),
        [{"key": key, "operator_id": operator_id, "body_hash": body_hash(body), "result": result, "at": at}],
    )
