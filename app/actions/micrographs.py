"""Keeping the picture a record was read off."""

from __future__ import annotations

from collections.abc import Collection

from app.db.models.events import Event
from app.db.models.seen import Attachment
from app.db.session import Writing
from app.schemas.micrographs import PictureIn


def keep_picture(writing: Writing, event: Event, data: PictureIn, *, read_off: Collection[str] = ()) -> Attachment:
    """Keep an original picture with the record it belongs to; `read_off` names the sizes taken from it unchanged.

    The file must be stored already; one picture may belong to several records and is stored once.
    """
    attachment = Attachment(
        sha256=data.sha256,
        file_name=data.file_name,
        media_type=data.media_type,
        size_bytes=data.size_bytes,
        kept_at=writing.now,
        of_table=event.kind,
        of_id=event.id,
    )
    writing.add(attachment)
    if read_off:
        event.sources = {**(event.sources or {}), **dict.fromkeys(sorted(read_off), "tool")}
        writing.session.flush()
    return attachment
