"""A picture as it is kept with a record."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from app.schemas.base import In


class PictureIn(In):
    """An original picture, stored under its digest."""

    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    file_name: Annotated[str, Field(min_length=1, max_length=255)]
    media_type: Annotated[str, Field(max_length=100)]
    size_bytes: Annotated[int, Field(ge=1)]
