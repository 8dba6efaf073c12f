"""Every table of the lab in one place: importing this module fills `metadata`."""

from __future__ import annotations

from app.db.base import Base
from app.db.models import audit, events, facts, material, people, recipes, searches, seen, steps

TABLE_MODULES = (audit, events, facts, material, people, recipes, searches, seen, steps)
metadata = Base.metadata
