"""What a command says where the disk or the database could not: what, where, what was kept, what settles it."""

from __future__ import annotations

from collections.abc import Sequence

from app.settings import BadSetting, Settings, read_settings


def told(error: BaseException, words: Sequence[str] = (), settings: Settings | None = None) -> str | None:
    """One line for `error`; None where it is no trouble of disk or database. `words` are those of the command line."""
    from app.db.trouble import trouble_of

    trouble = trouble_of(error)
    if trouble is None:
        return None
    kept = "The lab was left as it is." if trouble.kind in ("damaged", "away") else "Nothing was half-saved."
    return f"{_where(error, words, settings)}: {trouble.what} {kept} {trouble.settles}"


def _where(error: BaseException, words: Sequence[str], settings: Settings | None) -> str:
    """The file that was named with the error, else the database of the command."""
    if isinstance(error, OSError) and error.filename:
        return str(error.filename)
    try:
        found = settings or read_settings().with_data(_data_of(words))
    except BadSetting:
        return "the lab"
    if not found.database_url:
        return str(found.data / "marver.sqlite")
    from sqlalchemy.engine import make_url

    return make_url(found.database_url).render_as_string(hide_password=True)


def _data_of(words: Sequence[str]) -> str | None:
    for place, word in enumerate(words):
        if word == "--data" and place + 1 < len(words):
            return words[place + 1]
        if word.startswith("--data="):
            return word.partition("=")[2]
    return None
