"""What a page may ask for: the lab's database, a session that reads, stored files, settings, the person logging."""

from __future__ import annotations

from collections.abc import AsyncIterator, Iterator
from typing import Annotated

from fastapi import Depends, Request
from sqlalchemy.orm import Session
from starlette.datastructures import FormData

from app.db.session import Database
from app.files import FileStore
from app.settings import Settings

MOST_FILES = 400
MOST_FIELDS = 40_000  # a thousand rows of forty cells
MOST_TEXT_BYTES = 1024 * 1024


def get_settings(request: Request) -> Settings:
    """How this server was set up."""
    settings: Settings = request.app.state.settings
    return settings


def get_database(request: Request) -> Database:
    """The lab's database; a page that writes opens `database.writing(...)` after parsing, and ends it before answering.

    The block commits when it ends, inside the request, so a failed commit is a 500 and never a 200.
    """
    database: Database = request.app.state.database
    return database


def get_files(request: Request) -> FileStore:
    """Where attachments are."""
    files: FileStore = request.app.state.files
    return files


def get_reading(request: Request) -> Iterator[Session]:
    """A session that only reads, from one snapshot."""
    with get_database(request).reading() as session:
        yield session


Reading = Annotated[Session, Depends(get_reading, scope="function")]
Lab = Annotated[Database, Depends(get_database)]
Files = Annotated[FileStore, Depends(get_files)]
Set = Annotated[Settings, Depends(get_settings)]


async def get_form(request: Request) -> AsyncIterator[FormData]:
    """The form as posted; endpoints are plain `def` and cannot await it themselves. Uploads are closed afterwards."""
    form = await request.form(max_files=MOST_FILES, max_fields=MOST_FIELDS, max_part_size=MOST_TEXT_BYTES)
    try:
        yield form
    finally:
        await form.close()


Posted = Annotated[FormData, Depends(get_form)]
