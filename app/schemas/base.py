"""What every input shares: parsed values, frozen, nothing unknown."""

from __future__ import annotations

from typing import Annotated, TypeVar

from pydantic import BaseModel, ConfigDict, StringConstraints, ValidationError
from pydantic_core import ErrorDetails

from app.core.refusal import Refusal


class In(BaseModel):
    """An input of one deed, the same for form, API and table import."""

    model_config = ConfigDict(frozen=True, extra="forbid")


Name = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=80)]
"""A name a person gives; told apart from others without regard to case."""
Line = Annotated[str, StringConstraints(strip_whitespace=True, max_length=120)]
"""One line of words."""
Note = Annotated[str, StringConstraints(strip_whitespace=True, max_length=10_000)]
"""Words of any length."""

M = TypeVar("M", bound=In)


def take(model: type[M], **values: object) -> M:
    """`model(**values)`; what does not fit is a Refusal that names the field."""
    try:
        return model(**values)
    except ValidationError as wrong:
        raise Refusal(
            {(None, str(each["loc"][0]) if each["loc"] else None): _words(each) for each in wrong.errors()}
        ) from wrong


def _words(error: ErrorDetails) -> str:
    limit = error.get("ctx", {})
    if error["type"] == "string_too_long":
        return f"At most {limit['max_length']} characters are kept here."
    if error["type"] in ("string_too_short", "missing") or error["input"] is None:
        return "This is missing."
    return error["msg"]
