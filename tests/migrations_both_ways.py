"""`python -m tests.migrations_both_ways URL` runs the migrations up, down and up again on an empty database."""

from __future__ import annotations

import sys

from app.db.migrate import check, downgrade, upgrade
from app.db.session import Database


def main(url: str) -> None:
    """Raises if any migration fails in either direction, or the models and the migrated schema differ."""
    database = Database(url)
    upgrade(database.engine)
    downgrade(database.engine)
    upgrade(database.engine)
    check(database.engine)
    downgrade(database.engine)
    database.close()
    print(f"up and down: {url.partition(':')[0]}")


if __name__ == "__main__":
    main(sys.argv[1])
