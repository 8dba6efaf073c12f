"""Inputs of a ring-down."""

from __future__ import annotations

from datetime import datetime

from pydantic import BaseModel, ConfigDict, Field


class RingDownIn(BaseModel):
    """A decay recorded after the light was shut off, of one mode of a device."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)
    device_code: str
    label: str = Field(min_length=1, max_length=40)
    file_name: str = Field(min_length=1, max_length=255)
    wavelength_nm: float = Field(gt=200, lt=4000)
    done_at: datetime | None = None
    time_unit: str | None = None
    x: str | int | None = None
    y: str | int | None = None
    off_ns: float | None = None
    response_ns: float | None = Field(default=None, ge=0)
    tool_id: int | None = None
    note: str | None = None
