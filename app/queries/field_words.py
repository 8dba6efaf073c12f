"""What a search field holds for each device, in words."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from sqlalchemy.orm import Session

from app.core import figures
from app.core.columns import Column
from app.core.search_fields import SearchField
from app.queries import names

NOT_KNOWN = "not known"
_NAMED = {
    "recipe": names.version_names,
    "person": names.people_names,
    "lot": names.lot_names,
    "mask": names.mask_array_names,
}


class FieldWords:
    """Puts columns of the device table into words; each list of names is read once."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._known: dict[str, Mapping[int, str]] = {}

    def of(self, field: SearchField, column: Column) -> list[str]:
        """The words of each device, `not known` where there is nothing."""
        if field.kind in _NAMED:
            if field.kind not in self._known:
                self._known[field.kind] = _NAMED[field.kind](self._session)
            known = self._known[field.kind]
            missing = "no recipe" if field.kind == "recipe" else NOT_KNOWN
            return [missing if np.isnan(each) else known.get(int(each), missing) for each in column]
        if field.kind == "quantity":
            return [NOT_KNOWN if np.isnan(each) else quantity_text(float(each), field) for each in column]
        if field.kind == "flag":
            return ["yes" if each else "no" for each in column]
        return [field.choices.get(str(each), str(each)) or NOT_KNOWN for each in column]


def quantity_text(value: float, field: SearchField) -> str:
    """The value with the field's own decimals and unit."""
    unit = f"{figures.NO_BREAK}{field.unit}" if field.unit else ""
    return f"{figures.figure(value, field.decimals)}{unit}"
