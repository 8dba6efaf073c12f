"""Which recipe is best: stated probabilities, lucky outliers and days that cannot be told from recipes."""

import numpy as np
import pytest

from app.core.stats.ranking import block_information, huber_cells, rank_recipes


def lab(rng, truth, days, devices, between=0.1, within=0.2, shared_days=False):
    """A lab's Qs: each recipe (name, mean log Q) run on `days` sessions of `devices` devices."""
    log_q, recipes, sessions = [], [], []
    effect = {}
    for name, mean in truth.items():
        for day in range(days):
            session = f"day {day}" if shared_days else f"{name} day {day}"
            effect.setdefault(session, rng.normal() * between)
            log_q += list(mean + effect[session] + rng.normal(size=devices) * within)
            recipes += [name] * devices
            sessions += [session] * devices
    return 10 ** np.array(log_q), recipes, sessions


def test_a_clearly_better_recipe_leads():
    """Half a decade better over five sessions: named first with near certainty; probabilities add to one."""
    rng = np.random.default_rng(1)
    q, recipes, sessions = lab(rng, {"A": 7.6, "B": 8.1, "C": 7.5}, 5, 8)
    ranking = rank_recipes(q, recipes, sessions, sessions, rng)
    assert ranking.recipes[0].recipe == "B"
    assert ranking.recipes[0].probability_best > 0.97
    assert sum(r.probability_best for r in ranking.recipes) == pytest.approx(1)
    assert ranking.recipes[0].mean_log10_q == pytest.approx(8.1, abs=0.15)
    assert not ranking.cannot_be_told_from_the_day


def test_one_lucky_device_does_not_make_a_recipe():
    """A single Q of 5e9 among eight ordinary ones leaves the steadily better recipe in front."""
    rng = np.random.default_rng(2)
    q, recipes, sessions = lab(rng, {"steady": 8.0, "lucky": 7.7}, 6, 8, between=0.05)
    q[recipes.index("lucky")] = 5e9
    assert rank_recipes(q, recipes, sessions, sessions, rng).recipes[0].recipe == "steady"


def test_stated_probabilities_are_honest():
    """Over 150 drawn labs the leader is the true best about as often as it says."""
    rng = np.random.default_rng(3)
    right = stated = 0.0
    for _ in range(150):
        truth = {f"R{i}": 8 + rng.normal() * 0.15 for i in range(4)}
        q, recipes, sessions = lab(rng, truth, 3, 6)
        leader = rank_recipes(q, recipes, sessions, sessions, rng, draws=500).recipes[0]
        right += leader.recipe == max(truth, key=truth.get)
        stated += leader.probability_best
    assert right / 150 == pytest.approx(stated / 150, abs=0.10)


def test_each_recipe_on_a_day_of_its_own_cannot_be_told_from_the_day():
    """One session each is flagged; side by side in one session is not; two sessions of one lift its flag."""
    rng = np.random.default_rng(4)
    q, recipes, sessions = lab(rng, {"A": 8.0, "B": 8.3}, 1, 10)
    alone = rank_recipes(q, recipes, sessions, sessions, rng)
    assert alone.cannot_be_told_from_the_day
    # One day each says little: the leader is not near certain although its devices are all better.
    assert alone.recipes[0].probability_best < 0.95
    together = rank_recipes(q, recipes, ["one day"] * 20, sessions, rng)
    assert not together.cannot_be_told_from_the_day
    sessions[recipes.index("B")] = "another day"
    assert not rank_recipes(q, recipes, sessions, sessions, rng).cannot_be_told_from_the_day


def test_recipes_side_by_side_are_compared_within_the_day():
    """Days that differ by a whole decade do not hide a recipe that wins on each of them."""
    rng = np.random.default_rng(5)
    q, recipes, sessions = lab(rng, {"A": 8.0, "B": 8.25}, 5, 8, between=0.6, shared_days=True)
    assert rank_recipes(q, recipes, sessions, sessions, rng).recipes[0].probability_best > 0.95


def test_the_likelihood_is_the_two_level_models():
    """Where each cell is its own block, the likelihood over τ differs from the textbook sum by a constant."""
    rng = np.random.default_rng(6)
    n = rng.integers(1, 9, 12)
    recipe, block = np.repeat(np.arange(12) // 3, n), np.repeat(np.arange(12), n)
    cells = huber_cells(rng.normal(size=n.sum()), recipe, block)
    tau2 = np.array([0.01, 0.3, 2.0])
    ours, textbook = [], []
    for sigma_b in (0.1, 0.7):
        ours += list(block_information(cells, sigma_b, 4).log_likelihood(tau2))
        w = 1 / (sigma_b**2 + cells.sigma**2 / cells.n)
        total = np.bincount(cells.recipe, weights=w)
        mean = np.bincount(cells.recipe, weights=w * cells.mean) / total
        for t2 in tau2:
            v = 1 / total + t2
            mu = (mean / v).sum() / (1 / v).sum()
            twice = np.log(w).sum() - np.log(total).sum() - (w * (cells.mean - mean[cells.recipe]) ** 2).sum()
            twice -= np.log(v).sum() + np.log((1 / v).sum()) + ((mean - mu) ** 2 / v).sum()
            textbook.append(twice / 2)
    gap = np.array(ours) - np.array(textbook)
    assert np.ptp(gap) < 1e-9


def test_the_same_seed_gives_the_same_page_and_small_labs_an_answer():
    """Deterministic by its generator; one device of one recipe leads alone; nothing measured is None."""
    q, recipes, sessions = lab(np.random.default_rng(7), {"A": 8.0, "B": 8.1}, 3, 4)
    one = rank_recipes(q, recipes, sessions, sessions, np.random.default_rng(0))
    assert one == rank_recipes(q, recipes, sessions, sessions, np.random.default_rng(0))
    single = rank_recipes([1e8], ["A"], ["s"], ["w"], np.random.default_rng(0))
    assert (single.recipes[0].probability_best, len(single.recipes)) == (1, 1)
    assert not single.cannot_be_told_from_the_day
    assert rank_recipes([], [], [], [], np.random.default_rng(0)) is None
    pair = rank_recipes([1e8, 1e8], ["A", "B"], ["s", "t"], ["w", "w"], np.random.default_rng(0))
    assert sum(r.probability_best for r in pair.recipes) == pytest.approx(1)
