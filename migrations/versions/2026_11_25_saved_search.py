"""Saved searches

Revision ID: 2026_11_25_saved_search
Revises: 2026_11_25_whole_schema
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "2026_11_25_saved_search"
down_revision = "2026_11_25_whole_schema"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "saved_search",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("page", sa.String(length=20), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("name_key", sa.String(length=80), nullable=False),
        sa.Column("query", sa.Text(), nullable=False),
        sa.Column("made_at", sa.DateTime(), nullable=False),
        sa.Column("made_by_id", sa.Integer(), nullable=True),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["made_by_id"], ["operator.id"], name=op.f("fk_saved_search_made_by_id_operator")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_saved_search")),
        sa.UniqueConstraint("page", "name_key", name=op.f("uq_saved_search_page_name_key")),
    )


def downgrade() -> None:
    """Take it away, saved searches and all."""
    op.drop_table("saved_search")
