"""Below the steps: how many good rims were characterised, how they were picked, how many are on specification."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from app.core.columns import Columns, Mask
from app.core.stats.step_table import act_keys, acts_of, decided, rolled_over
from app.core.stats.typical import PICKED_FAIRLY, OnSpecification, on_specification
from app.core.stats.yields import RolledYield, unmeasured_bounds
from app.core.vocab import STAGES

Limits = tuple[float | None, float | None]


@dataclass(frozen=True)
class Window:
    """What counts as on specification: intrinsic Q of the best mode, and sizes where they are asked for."""

    q_intrinsic_min: float
    limits: Mapping[str, Limits] = field(default_factory=dict)
    """By column of the device table: pillar_ratio, outer_um."""


@dataclass(frozen=True)
class Coverage:
    """Good rims (spheres), those with a Q to believe, and what these say of the specification.

    `only_bounds`: scanned, but no fit of grade A or B; `unsized`: characterised, but a size that the specification
    asks for was never measured. Both count as unmeasured.
    """

    good: int
    characterised: int
    only_bounds: int
    unsized: int
    picked: Mapping[str, int]
    on_spec: OnSpecification
    rolled: RolledYield | None
    """Step yields times the share on specification; None unless all or a random choice were measured."""

    @property
    def share_characterised(self) -> float | None:
        """Of the good ones."""
        return self.characterised / self.good if self.good else None


def believed(table: Columns) -> Mask:
    """Devices with a Q from a fit of grade A or B (columns of `device_q` under `band_`)."""
    mask: Mask = ~np.isnan(table["band_q_best"])
    return mask


def judged(table: Columns, window: Window) -> tuple[Mask, Mask, Mask]:
    """(on specification, judged, missed): judged when Q and every size asked for are known.

    `missed` are all that cannot be on specification whatever is still unknown of them; they narrow the bounds but
    not the share, which would lean towards misses.
    """
    known = believed(table)
    missed = np.zeros(len(table), dtype=bool)
    with np.errstate(invalid="ignore"):
        hit = known & (table["band_q_best"] >= window.q_intrinsic_min)
        missed |= table["band_q_best"] < window.q_intrinsic_min
        for name, (low, high) in window.limits.items():
            if low is None and high is None:
                continue
            values = table[name]
            known = known & ~np.isnan(values)
            outside = (values < (-np.inf if low is None else low)) | (values > (np.inf if high is None else high))
            hit, missed = hit & ~outside, missed | outside
    return hit & known, known, missed


def picked_word(picked: Mapping[str, int]) -> str:
    """One word for how the measured were picked: the least fair that occurs; `random` where all or random only."""
    if not picked:
        return "unknown"
    for word in ("unknown", "best_looking", "in_reach"):
        if picked.get(word):
            return word
    return "random" if picked.get("random") else "all"


def coverage(kind: str, table: Columns, window: Window) -> Coverage:
    """Coverage and quality of the good devices among `table` (with columns of `device_q` under `band_`)."""
    stages = list(STAGES[kind])
    good, _ = decided(stages[-1], table)
    hit, known, missed = (mask & good for mask in judged(table, window))
    with_q = good & believed(table)
    words = np.where(table["band_picked"] == "", "unknown", table["band_picked"])[known]
    names, counts = np.unique(words.astype(str), return_counts=True)
    picked = {str(name): int(count) for name, count in zip(names, counts, strict=True)}
    word = picked_word(picked)
    hits, misses = int(hit.sum()), int(missed.sum())
    bounds = unmeasured_bounds(hits, hits + misses, int(good.sum()))
    acts = acts_of(act_keys(stages[-1], table), hit, known)
    fair = word in PICKED_FAIRLY and bool(known.any())
    steps = [*(decided(stage, table) for stage in stages), (hit, known)]
    return Coverage(
        good=int(good.sum()),
        characterised=int(with_q.sum()),
        only_bounds=int((good & (table["band_modes_fitted"] > 0) & ~believed(table)).sum()),
        unsized=int((with_q & ~known).sum()),
        picked=picked,
        on_spec=replace(on_specification(acts, int(good.sum()), word), bounds=bounds),
        rolled=rolled_over(table, steps) if fair else None,
    )
