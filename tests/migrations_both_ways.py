"""`python -m tests.migrations_both_ways URL` runs the migrations up, down and up again on an empty database."""

from __future__ import annotations

import sys

from app.db.migrate import downgrade, upgrade


def main(url: str) -> None:
    """Raises if any migration fails in either direction."""
    upgrade(url)
    downgrade(url)
    upgrade(url)
    downgrade(url)
    print(f"up and down: {url.partition(':')[0]}")


if __name__ == "__main__":
    main(sys.argv[1])
