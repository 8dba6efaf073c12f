"""A person at the pages: opens a form, types, saves, and reads what comes back."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from playwright.sync_api import Page

SPEED_OF_LIGHT_M_S = 299_792_458.0


@dataclass
class Walker:
    """One person in one browser page, on one served lab."""

    page: Page
    address: str

    def open(self, path: str) -> None:
        """Go to a page by its path."""
        self.page.goto(self.address + path)

    def put(self, **typed: str) -> None:
        """Type into (or choose in) the fields of these names; `_` for the hyphen of a row's field is not needed."""
        for name, value in typed.items():
            field = self.page.locator(f'main form [name="{name}"]').first
            if field.evaluate("each => each.tagName") == "SELECT":
                field.select_option(value)
            elif field.get_attribute("type") == "radio":
                chosen = self.page.locator(f'main form [name="{name}"][value="{value}"]')
                chosen.check(force=True)
            elif field.get_attribute("type") == "checkbox":
                self.page.locator(f'main form [name="{name}"][value="{value}"]').check(force=True)
            else:
                field.fill(value)

    def row(self, number: int, **typed: str) -> None:
        """Type into one row of a table, counted from 1."""
        self.put(**{f"r{number - 1}-{name}": value for name, value in typed.items()})

    def save(self, button: str) -> None:
        """Press a button of the page and be taken on; fail with what the page says where it refuses."""
        self.page.locator("main").get_by_role("button", name=button, exact=True).first.click()
        self.page.wait_for_load_state()
        said = self.page.locator(".note.error, .note.ask").all_inner_texts()
        assert not said, f"{button}: {said}"

    def text(self) -> str:
        """What the page says, with its spaces made plain."""
        return re.sub(r"\s+", " ", self.page.inner_text("main"))


def scan_file(q_intrinsic: float, *, coupling: float, wavelength_nm: float, seed: int) -> bytes:
    """A sweep over a single resonance, as an instrument would write it.

    Steady state of da/dt = −(κ/2 + iΔ) a + √κ_ex, t = 1 − √κ_ex a (Gorodetsky & Ilchenko, JOSA B 16, 147 (1999)),
    solved point by point, with 0.5 % noise. `coupling` is κ_ex over κ₀.
    """
    frequency_mhz = SPEED_OF_LIGHT_M_S / wavelength_nm * 1e3
    intrinsic_mhz = frequency_mhz / q_intrinsic
    coupled_mhz = coupling * intrinsic_mhz
    width = intrinsic_mhz + coupled_mhz
    detuning = np.linspace(-12, 12, 900) * width
    field = np.sqrt(coupled_mhz) / (width / 2 + 1j * detuning)
    power = np.abs(1 - np.sqrt(coupled_mhz) * field) ** 2
    noisy = 1.2 * power + 0.006 * np.random.default_rng(seed).standard_normal(power.size)
    rows = "\n".join(f"{x:.6f},{y:.5f}" for x, y in zip(detuning, noisy, strict=True))
    return f"detuning (MHz),transmission (V)\n{rows}\n".encode()
