"""Inputs of the deeds on scans: how a file is read, a scan, a fit by hand, a judgement."""

from __future__ import annotations

from datetime import datetime
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from app.core.optics.results import AxisOptions, FitOptions
from app.core.quantities import QUANTITIES

Model = Literal["auto", "single", "split"]
Regime = Literal["under", "over"]


class _In(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    @model_validator(mode="after")
    def _possible(self) -> Self:
        """No declared quantity lies outside its hard range."""
        for name in type(self).model_fields:
            value = getattr(self, name)
            if name in QUANTITIES and value is not None and not QUANTITIES[name].is_hard(value):
                raise ValueError(f"{QUANTITIES[name].label} {value:g} cannot be")
        return self


class ReadingIn(_In):
    """How a scan file becomes a scan, and how it is fitted."""

    x: str | int | None = None
    y: str | int | None = None
    x_unit: str | None = None
    y_unit: Literal["auto", "linear"] = "auto"
    wavelength_nm: float | None = None
    tuning_mhz_per_s: float | None = None
    tuning_mhz_per_v: float | None = None
    tuning_sigma: float | None = None
    dark_v: float | None = None
    model: Model = "auto"
    regime: Regime | None = None
    window: tuple[float, float] | None = None

    @property
    def axis(self) -> AxisOptions:
        """For reading the file."""
        return AxisOptions(
            x=self.x,
            y=self.y,
            x_unit=self.x_unit,
            y_unit=self.y_unit,
            wavelength_nm=self.wavelength_nm,
            tuning_mhz_per_s=self.tuning_mhz_per_s,
            tuning_mhz_per_v=self.tuning_mhz_per_v,
            rel_sigma=self.tuning_sigma,
            window=self.window,
        )

    @property
    def options(self) -> FitOptions:
        """For fitting it."""
        return FitOptions(model=self.model, regime=self.regime, dark=self.dark_v or 0.0)


class ScanIn(_In):
    """One sweep over a device's resonance, with the file it was kept in."""

    device_code: str
    file_name: str = Field(min_length=1, max_length=255)
    media_type: str | None = Field(default=None, max_length=100)
    reading: ReadingIn = ReadingIn()
    done_at: datetime | None = None
    label: str | None = None
    """Of the mode it is about; None: a mode not seen before."""
    tool_id: int | None = None
    detector_id: int | None = None
    input_power_uw: float | None = None
    direction: Literal["up", "down"] | None = None
    averages: int | None = None
    taper: Literal["none", "resting", "posts"] | None = None
    taper_position_um: float | None = None
    taper_transmission: float | None = None
    polarisation: Literal["TE", "TM", "mixed"] | None = None
    polarisation_known: str | None = Field(default=None, max_length=60)
    medium: Literal["air", "nitrogen", "water", "heavy_water", "buffer"] = "air"
    picked: Literal["all", "random", "in_reach", "best_looking", "unknown"] = "unknown"
    accept: bool = False
    note: str | None = None


class FitIn(_In):
    """A scan fitted again by hand."""

    scan_id: int
    label: str | None = None
    accept: bool = False


class JudgementIn(_In):
    """A fit believed, or set aside with a reason."""

    fit_id: int
    state: Literal["accepted", "set_aside"]
    reason: str | None = Field(default=None, max_length=200)
    version: int | None = None
    """Of the fit as it was shown."""


class VoidIn(_In):
    """A scan entered by mistake: it stays readable and counts nowhere."""

    scan_id: int
    reason: str | None = Field(default=None, max_length=200)
    version: int | None = None
    """Of the scan as it was shown."""
