"""The least-squares loop of the fits against NIST's certified values (StRD, see strd/README.md)."""

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from app.core.optics.least_squares import least_squares

FOLDER = Path(__file__).parent / "strd"
PI = np.pi


def gauss(p, x):
    """b1 exp(-b2 x) + b3 exp(-(x - b4)^2/b5^2) + b6 exp(-(x - b7)^2/b8^2)."""
    return p[0] * np.exp(-p[1] * x) + sum(p[i] * np.exp(-(((x - p[i + 1]) / p[i + 2]) ** 2)) for i in (2, 5))


def lanczos(p, x):
    """Three exponentials."""
    return sum(p[i] * np.exp(-p[i + 1] * x) for i in (0, 2, 4))


def thurber(p, x):
    """A cubic over a cubic."""
    return (p[0] + x * (p[1] + x * (p[2] + x * p[3]))) / (1 + x * (p[4] + x * (p[5] + x * p[6])))


def enso(p, x):
    """A yearly wave and two of free period."""
    waves = p[0] + p[1] * np.cos(2 * PI * x / 12) + p[2] * np.sin(2 * PI * x / 12)
    for i in (3, 6):
        waves = waves + p[i + 1] * np.cos(2 * PI * x / p[i]) + p[i + 2] * np.sin(2 * PI * x / p[i])
    return waves


FORMULAS: dict[str, Callable] = {
    **{f"Gauss{i}": gauss for i in (1, 2, 3)},
    **{f"Lanczos{i}": lanczos for i in (1, 2, 3)},
    "Eckerle4": lambda p, x: p[0] / p[1] * np.exp(-0.5 * ((x - p[2]) / p[1]) ** 2),
    "Misra1a": lambda p, x: p[0] * (1 - np.exp(-p[1] * x)),
    "Misra1b": lambda p, x: p[0] * (1 - (1 + p[1] * x / 2) ** -2.0),
    "Misra1c": lambda p, x: p[0] * (1 - (1 + 2 * p[1] * x) ** -0.5),
    "Thurber": thurber,
    "ENSO": enso,
    "BoxBOD": lambda p, x: p[0] * (1 - np.exp(-p[1] * x)),
}


def model_of(formula: Callable) -> Callable:
    """Value and derivatives for one row of parameters at a time, exact to rounding by a complex step."""

    def model(p, x):
        value = np.array([formula(row, x) for row in p])
        slopes = np.empty((*p.shape, len(x)))
        for k, row in enumerate(p):
            for i in range(len(row)):
                moved = row.astype(complex)
                moved[i] += 1e-30j
                slopes[k, i] = formula(moved, x).imag / 1e-30
        return value, slopes

    return model


def read(name: str) -> tuple[list[np.ndarray], np.ndarray, np.ndarray, float, np.ndarray, np.ndarray]:
    """Both starts, certified parameters, standard deviations and residual sum of squares, x, y."""
    lines = (FOLDER / f"{name}.dat").read_text().splitlines()
    table = np.array(
        [line.split("=")[1].split() for line in lines if line.strip().startswith("b") and "=" in line][-99:]
    )
    rows = table.astype(float)
    rss = next(float(line.split(":")[1]) for line in lines if line.startswith("Residual Sum of Squares"))
    first = next(i for i, line in enumerate(lines) if line.startswith("Data:") and "x" in line.split()[1:])
    data = np.array([line.split() for line in lines[first + 1 :] if line.strip()], dtype=float)
    return [rows[:, 0], rows[:, 1]], rows[:, 2], rows[:, 3], rss, data[:, 1], data[:, 0]


@pytest.mark.parametrize("start", [0, 1])
@pytest.mark.parametrize("name", FORMULAS)
def test_certified_values_come_out_from_both_starts(name, start):
    """Parameters to six digits and standard deviations to four (Lanczos1, without noise, has none that matter)."""
    starts, certified, sds, rss, x, y = read(name)
    # From the first start of BoxBOD a full step ends where the exponential is gone, unless b1 follows b2.
    linear = (0,) if name == "BoxBOD" else ()
    found = least_squares(model_of(FORMULAS[name]), starts[start], x, y, linear=linear)
    np.testing.assert_allclose(found.parameters, certified, rtol=5e-7)
    if name != "Lanczos1":
        np.testing.assert_allclose(found.standard_deviations, sds, rtol=5e-5)
        assert found.rss == pytest.approx(rss, rel=1e-6)
