"""Groups of devices made alike: typical and best Q, share on specification, and which group leads."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from app.core.columns import Columns, Mask
from app.core.stats.coverage import Coverage, Window, coverage
from app.core.stats.ranking import RecipeRank, rank_recipes
from app.core.stats.step_table import act_keys
from app.core.stats.typical import TypicalQ, typical_q
from app.core.vocab import STAGES

MIN_DEVICES = 8
MIN_WAFERS = 2
REDRAWS = 100
_SEED = 1064
"""The same search gives the same answer."""


@dataclass(frozen=True)
class RecipeGroup:
    """Devices of one group measured in one band and medium.

    `leads_in` of 100 redraws it has the highest mean log Q; None where it is not ranked. `q` and `codes` are its
    devices one by one.
    """

    name: str
    typical: TypicalQ
    modes_per_device: float
    coverage: Coverage | None
    leads_in: float | None
    alone_in_its_day: bool
    q: tuple[float, ...]
    codes: tuple[str, ...]

    @property
    def devices(self) -> int:
        """Devices with a Q to believe."""
        return self.typical.devices

    @property
    def more_devices(self) -> int:
        """How many more it would take to be ranked."""
        return max(0, MIN_DEVICES - self.typical.devices)

    @property
    def more_wafers(self) -> int:
        """From how many further wafers (batches) at least one must come."""
        return max(0, MIN_WAFERS - self.typical.wafers)

    @property
    def enough(self) -> bool:
        """Whether it can be ranked."""
        return not self.more_devices and not self.more_wafers


@dataclass(frozen=True)
class RankedGroups:
    """Groups that are ranked, the likeliest best first; those with too little data, by typical Q."""

    ranked: tuple[RecipeGroup, ...]
    few: tuple[RecipeGroup, ...]
    cannot_be_told_from_the_day: bool


def rank_groups(
    kind: str, table: Columns, names: Sequence[str], window: Window | None, *, shared: str = "session"
) -> RankedGroups:
    """Group the devices of `table` (columns of `device_q` under `band_`) by `names`, one a device, and rank.

    Devices without a Q to believe count among the good rims of their group (bounds), not among its devices.
    `shared`: what devices of several groups have in common, `session` or `wafer`.
    """
    name = np.empty(len(table), dtype=object)
    name[:] = list(names)
    measured: Mask = ~np.isnan(table["band_q_typical"])
    session = act_keys(list(STAGES[kind])[-1], table)
    found = [_group(kind, each, table.where(name == each), window) for each in sorted(set(name[measured]))]
    enough = [group for group in found if group.enough]
    ranks, told = _ranks(table, name, session, {group.name for group in enough}, shared)
    ranked = [_with_rank(group, ranks.get(group.name)) for group in enough]
    ranked.sort(key=lambda group: (-(group.leads_in or 0.0), -group.typical.q))
    few = sorted((group for group in found if not group.enough), key=lambda group: -group.typical.q)
    return RankedGroups(tuple(ranked), tuple(few), cannot_be_told_from_the_day=told)


def _group(kind: str, name: str, table: Columns, window: Window | None) -> RecipeGroup:
    mine = table.where(~np.isnan(table["band_q_typical"]))
    sessions = [str(each) for each in act_keys(list(STAGES[kind])[-1], mine)]
    typical = typical_q(mine["band_q_typical"], sessions, [str(each) for each in mine["root_code"]])
    if typical is None:
        raise ValueError(f"no device of group {name} has a Q")
    best = float(np.nanmax(mine["band_q_best"]))
    typical = TypicalQ(**{**typical.__dict__, "q_best": best})
    return RecipeGroup(
        name=name,
        typical=typical,
        modes_per_device=float(mine["band_modes_fitted"].mean()),
        coverage=None if window is None else coverage(kind, table, window),
        leads_in=None,
        alone_in_its_day=False,
        q=tuple(float(each) for each in mine["band_q_typical"]),
        codes=tuple(str(each) for each in mine["device_code"]),
    )


def _ranks(
    table: Columns, name: np.ndarray, session: np.ndarray, enough: set[str], shared: str
) -> tuple[Mapping[str, RecipeRank], bool]:
    """Ranks by group name, and whether every one was run on a day of its own; nothing to rank below two groups."""
    if len(enough) < 2:
        return {}, False
    use = ~np.isnan(table["band_q_typical"]) & np.isin(name.astype(str), sorted(enough))
    ranking = rank_recipes(
        table["band_q_typical"][use],
        [str(each) for each in name[use]],
        [str(each) for each in session[use]],
        [str(each) for each in table["root_code"][use]],
        np.random.default_rng(_SEED),
        shared=shared,
    )
    if ranking is None:
        return {}, False
    return {rank.recipe: rank for rank in ranking.recipes}, ranking.cannot_be_told_from_the_day


def _with_rank(group: RecipeGroup, rank: RecipeRank | None) -> RecipeGroup:
    if rank is None:
        return group
    return RecipeGroup(
        **{
            **group.__dict__,
            "leads_in": REDRAWS * rank.probability_best,
            "alone_in_its_day": rank.cannot_be_told_from_the_day,
        }
    )
