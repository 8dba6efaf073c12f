"""Which mark stands for which state: shape and word always go together, colour only helps."""

from __future__ import annotations

MARK_OF: dict[str, tuple[str, str]] = {
    "passed": ("passed", "passed"),
    "good": ("passed", "good"),
    "usable": ("usable", "usable"),
    "waiting": ("waiting", "waiting"),
    "failed": ("failed", "failed"),
    "reject": ("failed", "reject"),
    "gone": ("failed", "reject"),
    "lost_earlier": ("lost", "lost"),
    "lost_with_piece": ("lost", "lost"),
    "not_looked_at": ("unseen", "lost"),
    "not_taken_forward": ("aside", "lost"),
}
"""State or verdict: (mark in the sprite, class that colours it)."""
