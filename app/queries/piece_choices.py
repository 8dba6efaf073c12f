"""What forms about pieces offer to choose from."""

from __future__ import annotations

import re

from sqlalchemy import select
from sqlalchemy.orm import Session

from app.db.models.material import Lot, Piece
from app.db.models.people import Tool


def lot_choices(session: Session, kind: str) -> dict[str, str]:
    """Lots of a kind that are not used up: id as text, code and name."""
    rows = session.execute(
        select(Lot.id, Lot.code, Lot.name).where(Lot.kind == kind, Lot.used_up.is_(False)).order_by(Lot.code)
    )
    return {str(row.id): f"{row.code}, {row.name}" if row.name else row.code for row in rows}


def tool_choices(session: Session, kinds: tuple[str, ...]) -> dict[str, str]:
    """Tools of these kinds: id as text, name."""
    rows = session.execute(select(Tool.id, Tool.name).where(Tool.kind.in_(kinds)).order_by(Tool.name))
    return {str(row.id): row.name for row in rows}


def next_code(session: Session, kind: str, letter: str) -> str:
    """The code after the last one written in the usual way: W013 after W012."""
    pattern = re.compile(rf"{letter}(\d{{2,6}})", re.IGNORECASE)
    codes = session.scalars(select(Piece.code).where(Piece.kind == kind).order_by(Piece.id.desc()).limit(200))
    numbers = [found[1] for code in codes if (found := pattern.fullmatch(code))]
    if not numbers:
        return f"{letter}001"
    last = max(numbers, key=int)
    return f"{letter}{int(last) + 1:0{len(last)}d}"


def child_codes(session: Session, parent: str, count: int) -> list[str]:
    """Codes for the pieces of a parting that nothing has yet: W012-A, W012-B …; of a chip W012-A1, W012-A2 …"""
    whole = "-" not in parent
    letters = (chr(ord("A") + n) if n < 26 else f"A{chr(ord('A') + n - 26)}" for n in range(52))
    wanted = [f"{parent}-{letter}" for letter in letters] if whole else [f"{parent}{n}" for n in range(1, 53)]
    used = set(session.scalars(select(Piece.code_key).where(Piece.code_key.in_([w.casefold() for w in wanted]))))
    return [code for code in wanted if code.casefold() not in used][:count]
