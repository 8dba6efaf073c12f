"""What there is to take in hand on a fibre batch."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.db.models.material import FibreBatch


def end_count(session: Session, piece_id: int) -> int:
    """How many ends a fibre batch has; 0 for a piece that is none."""
    table = FibreBatch.__table__
    return session.scalar(select(table.c.ends).where(table.c.id == piece_id)) or 0
