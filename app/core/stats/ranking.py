"""Which recipe is best: probability of leading, from Huber means of cells in a two-level model."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]

HUBER_C = 1.345
# E[min(Z², c²)] of a standard normal Z: makes the clipped spread agree with σ on clean data.
_HUBER_BETA = 0.7101645
_GRID = 10
_WIDEST_RATIO = 4.0  # the half-normal(1) prior holds 6e-5 beyond


@dataclass(frozen=True)
class RecipeRank:
    """One recipe: its mean log₁₀ Q as drawn (with spread) and the probability that it is the best of all."""

    recipe: str
    devices: int
    sessions: int
    wafers: int
    mean_log10_q: float
    sigma_log10_q: float
    probability_best: float
    cannot_be_told_from_the_day: bool


@dataclass(frozen=True)
class Ranking:
    """Recipes, the likeliest best first; scatter within and between cells in decades of Q."""

    recipes: tuple[RecipeRank, ...]
    within_decades: float
    between_decades: float

    @property
    def cannot_be_told_from_the_day(self) -> bool:
        """True where every recipe was run in one session of its own, so that recipe and day are one."""
        return len(self.recipes) > 1 and all(r.cannot_be_told_from_the_day for r in self.recipes)


@dataclass(frozen=True)
class _Cells:
    """Huber mean, number of devices, recipe and block (the shared wafer or session) of each cell."""

    mean: Floats
    n: Floats
    recipe: Ints
    block: Ints
    sigma: float


def rank_recipes(
    q: ArrayLike,
    recipes: Sequence[str],
    sessions: Sequence[str],
    wafers: Sequence[str],
    rng: np.random.Generator,
    *,
    shared: str = "session",
    draws: int = 4000,
) -> Ranking | None:
    """Rank recipes by mean log₁₀ Q with the probability that each is the best; None without devices.

    Cells are (recipe, block), block a session or wafer (`shared`); ȳ ~ N(a_r + b_block, σ²/n), b ~ N(0, σ_b²),
    a_r ~ N(μ, τ²), μ flat; (σ_b/σ, τ/σ) on a 10 × 10 grid under half-normal(1) priors. Recipes run in one block
    share its effect. `q`: (n,) positive; names: n each; `draws` redraws from `rng`.
    Source: Huber, Robust Statistics (1981); priors Gelman, Bayesian Anal. 1, 515 (2006); both from memory.
    """
    y = np.asarray(q, dtype=float)
    if not (y.ndim == 1 and len(y) == len(recipes) == len(sessions) == len(wafers)):
        raise ValueError("one Q, recipe, session and wafer a device")
    if not bool(np.all(np.isfinite(y) & (y > 0))):
        raise ValueError("a Q is a number above zero")
    if not len(y):
        return None
    names, recipe = np.unique(np.asarray(recipes, dtype=str), return_inverse=True)
    block = np.unique(np.asarray(sessions if shared == "session" else wafers, dtype=str), return_inverse=True)[1]
    log_q = np.log10(y)
    centre = float(np.median(log_q))
    cells = huber_cells(log_q - centre, recipe, block)
    leads, between = _draw_means(cells, len(names), rng, draws)
    best = np.bincount(leads.argmax(axis=1), minlength=len(names)) / draws
    alone = _run_alone(recipe, sessions)
    rows = []
    for i, name in enumerate(names):
        mine = np.flatnonzero(recipe == i).tolist()
        rows.append(
            RecipeRank(
                recipe=str(name),
                devices=len(mine),
                sessions=len({sessions[j] for j in mine}),
                wafers=len({wafers[j] for j in mine}),
                mean_log10_q=centre + float(leads[:, i].mean()),
                sigma_log10_q=float(leads[:, i].std()),
                probability_best=float(best[i]),
                cannot_be_told_from_the_day=i in alone,
            )
        )
    rows.sort(key=lambda r: (-r.probability_best, -r.mean_log10_q, r.recipe))
    return Ranking(tuple(rows), cells.sigma, between)


def _run_alone(recipe: Ints, sessions: Sequence[str]) -> set[int]:
    """Recipes run in one session in which no other recipe was run: nothing parts them from that day."""
    of_recipe: dict[int, set[str]] = {}
    of_session: dict[str, set[int]] = {}
    for r, s in zip(recipe, sessions, strict=True):
        of_recipe.setdefault(int(r), set()).add(s)
        of_session.setdefault(s, set()).add(int(r))
    return {r for r, days in of_recipe.items() if len(days) == 1 and len(of_session[next(iter(days))]) == 1}


def huber_cells(y: Floats, recipe: Ints, block: Ints) -> _Cells:
    """Huber means of the cells (recipe, block) and one scatter σ for all, solved together.

    μ_c = μ_c + mean ψ(y − μ_c), σ² = Σψ²/(β (N − C)), ψ clips at ±1.345 σ (Huber's proposal 2, common scale).
    `y`, `recipe`, `block`: (n,). Where every cell holds one device, σ comes from devices of one recipe.
    """
    keys, cell = np.unique(np.stack([recipe, block]), axis=1, return_inverse=True)
    cell = np.ravel(cell)
    n = np.bincount(cell).astype(float)
    groups, degrees = (cell, len(y) - len(n))
    if degrees == 0:
        groups, degrees = recipe, max(len(y) - len(np.unique(recipe)), 1)
    _, sigma = _huber(y, groups, degrees)
    mean, _ = _huber(y, cell, degrees, sigma)
    return _Cells(mean, n, keys[0], keys[1], sigma)


def _huber(y: Floats, group: Ints, degrees: int, sigma: float | None = None) -> tuple[Floats, float]:
    n = np.bincount(group)
    order = np.lexsort((y, group))
    start = np.cumsum(n) - n
    ordered = y[order]
    mu = (ordered[start + (n - 1) // 2] + ordered[start + n // 2]) / 2
    scale = sigma if sigma is not None else _start_scale(y - mu[group], degrees)
    for _ in range(100):
        psi = np.clip(y - mu[group], -HUBER_C * scale, HUBER_C * scale)
        step = np.bincount(group, weights=psi) / n
        mu = mu + step
        if sigma is None:
            fresh = float(np.sqrt((psi**2).sum() / (_HUBER_BETA * degrees)))
            # A floor: devices alike to the last digit would otherwise weigh without bound.
            scale, moved = max(fresh, 1e-6), abs(fresh - scale)
        else:
            moved = 0.0
        if max(float(np.abs(step).max()), moved) < 1e-9:
            break
    return mu, scale


def _start_scale(residual: Floats, degrees: int) -> float:
    return max(float(np.sqrt((residual**2).sum() / degrees)), 1e-6)


def _draw_means(cells: _Cells, recipes: int, rng: np.random.Generator, draws: int) -> tuple[Floats, float]:
    """Draws (draws, recipes) of the recipes' means, and the expected scatter between blocks."""
    ratio = _WIDEST_RATIO * ((np.arange(_GRID) + 0.5) / _GRID) ** 2
    prior = np.log(np.arange(_GRID) + 0.5) - ratio**2 / 2
    tau2 = (ratio * cells.sigma) ** 2
    levels = [block_information(cells, r * cells.sigma, recipes) for r in ratio]
    log_post = np.array([level.log_likelihood(tau2) for level in levels]) + prior[:, None] + prior[None, :]
    weight = np.exp(log_post - log_post.max())
    weight /= weight.sum()
    counts = rng.multinomial(draws, weight.ravel()).reshape(weight.shape)
    out = [levels[i].draw(float(tau2[j]), int(counts[i, j]), rng) for i, j in zip(*counts.nonzero(), strict=True)]
    return np.concatenate(out), float((weight.sum(axis=1) * ratio).sum() * cells.sigma)


@dataclass(frozen=True)
class BlockInformation:
    """What the cells say of the recipes' means at one σ_b: G = XᵀV⁻¹X = U λ Uᵀ, b = XᵀV⁻¹ȳ, in U's axes."""

    axes: Floats
    eigenvalues: Floats
    ones: Floats
    pull: Floats
    base: float

    def log_likelihood(self, tau2: Floats) -> Floats:
        """Log likelihood at each τ², μ and the recipes' means integrated out; up to one constant."""
        grow = 1 + tau2[:, None] * self.eigenvalues
        c = (self.ones**2 * self.eigenvalues / grow).sum(axis=1)
        e = (self.ones * self.pull / grow).sum(axis=1)
        fit = (self.pull**2 * tau2[:, None] / grow).sum(axis=1) + e**2 / c
        return self.base + 0.5 * (fit - np.log(grow).sum(axis=1) - np.log(c))

    def draw(self, tau2: float, draws: int, rng: np.random.Generator) -> Floats:
        """Draws (draws, recipes) of the recipes' means at one τ²."""
        grow = 1 + tau2 * self.eigenvalues
        c = (self.ones**2 * self.eigenvalues / grow).sum()
        mu = (self.ones * self.pull / grow).sum() / c + rng.standard_normal((draws, 1)) / np.sqrt(c)
        noise = rng.standard_normal((draws, len(grow))) * np.sqrt(tau2 / grow)
        return ((tau2 * self.pull + mu * self.ones) / grow + noise) @ self.axes.T


def block_information(cells: _Cells, sigma_b: float, recipes: int) -> BlockInformation:
    """Information of the cells at one scatter between blocks, V = diag(σ²/n) + σ_b² ZZᵀ by Sherman–Morrison."""
    w = cells.n / cells.sigma**2
    blocks = int(cells.block.max()) + 1
    # Block sums of weight, of weighted mean, and of each recipe's weight.
    total = np.bincount(cells.block, weights=w, minlength=blocks)
    lean = np.bincount(cells.block, weights=w * cells.mean, minlength=blocks)
    share = np.zeros((blocks, recipes))
    np.add.at(share, (cells.block, cells.recipe), w)
    loss = sigma_b**2 / (1 + sigma_b**2 * total)
    g = np.diag(share.sum(axis=0)) - share.T @ (loss[:, None] * share)
    b = np.bincount(cells.recipe, weights=w * cells.mean, minlength=recipes) - share.T @ (loss * lean)
    square = float((w * cells.mean**2).sum() - (loss * lean**2).sum())
    log_det = float(np.log1p(sigma_b**2 * total).sum() - np.log(w).sum())
    eigenvalues, axes = np.linalg.eigh(g)
    return BlockInformation(axes, eigenvalues, axes.sum(axis=0), axes.T @ b, -0.5 * (square + log_det))
