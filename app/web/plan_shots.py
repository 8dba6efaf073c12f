"""The lab's own shots as a place to start from, and how far a proposal lies from what was tried."""

from __future__ import annotations

from statistics import median

from app.core.figures import figure
from app.core.vocab import SHOT_OUTCOMES
from app.queries.plan import Shot
from app.web.plan_view import Answer, Note, Row, Values


def laser(v: Values, shots: tuple[Shot, ...]) -> Answer:
    """Median and range of the good shots' settings; a proposed power and exposure against all tried."""
    size = f"{v['nominal_um']:g} µm ± 10 %"
    if not shots:
        first = f"No shot of known power and exposure is on record for {size}."
        return Answer(
            notes=(("doubt", first, "Log reflow shots with a calibrated laser first, or ask for another size."),)
        )
    good = [shot for shot in shots if shot.outcome == "good"]
    rows: list[Row] = [("Shots tried", f"{len(shots)}", f"{len(good)} good, {size}, {_sessions(shots)}")]
    notes: list[Note] = []
    if good:
        count = f"n = {len(good)} good shots, {_sessions(good)}"
        rows.append(_setting("Power", "W", [shot.power_w for shot in good], count))
        rows.append(_setting("Exposure", "s", [shot.exposure_s for shot in good], count))
        spots = [shot.spot_um for shot in good if shot.spot_um is not None]
        if spots:
            rows.append(_setting("Spot", "µm", spots, f"n = {len(spots)} good shots whose session says it"))
    else:
        notes.append(
            ("doubt", "None of them came out good.", "There is no setting to start from; see how they failed.")
        )
    rows += _proposal(v, shots)
    outcomes = sorted({shot.outcome for shot in shots}, key=lambda name: (name != "good", name))
    table = tuple(_line(name, [shot for shot in shots if shot.outcome == name]) for name in outcomes)
    return Answer(tuple(rows), tuple(notes), ("Outcome", "Shots", "Power / W", "Exposure / s"), table)


def _line(outcome: str, shots: list[Shot]) -> tuple[str, ...]:
    word = SHOT_OUTCOMES.get(outcome, outcome) or "Not said"
    powers, times = [s.power_w for s in shots], [s.exposure_s for s in shots]
    return word, str(len(shots)), _range(powers), _range(times)


def _range(values: list[float]) -> str:
    low, high = figure(min(values), 2), figure(max(values), 2)
    return low if low == high else f"{low}–{high}"


def _sessions(shots: list[Shot] | tuple[Shot, ...]) -> str:
    many = len({shot.session_id for shot in shots if shot.session_id is not None})
    return f"{many} {'session' if many == 1 else 'sessions'}"


def _setting(name: str, unit: str, values: list[float], said: str) -> Row:
    return f"{name}, median of the good", f"{figure(median(values), 2)} {unit}", f"{_range(values)} {unit}; {said}"


def _proposal(v: Values, shots: tuple[Shot, ...]) -> list[Row]:
    rows: list[Row] = []
    tried = {
        "Power": ("W", v["power_w"], [shot.power_w for shot in shots]),
        "Exposure": ("s", v["exposure_s"], [shot.exposure_s for shot in shots]),
    }
    for name, (unit, wanted, values) in tried.items():
        if wanted is not None:
            rows.append(
                (f"{name} proposed", _distance(wanted, values, unit), f"{wanted:g} {unit}; tried {_range(values)}")
            )
    if v["power_w"] is not None and v["exposure_s"] is not None:
        near = min(shots, key=lambda shot: _apart(shot, v["power_w"], v["exposure_s"]))
        word = SHOT_OUTCOMES.get(near.outcome, near.outcome) or "outcome not said"
        rows.append(("Nearest shot tried", word, f"{near.power_w:g} W, {near.exposure_s:g} s on {near.at:%Y-%m-%d}"))
    return rows


def _apart(shot: Shot, power_w: float, exposure_s: float) -> float:
    """Sum of the two relative differences; zero for the very same setting."""
    power = abs(shot.power_w - power_w) / max(shot.power_w, power_w, 1e-9)
    return power + abs(shot.exposure_s - exposure_s) / max(shot.exposure_s, exposure_s, 1e-9)


def _distance(wanted: float, values: list[float], unit: str) -> str:
    if wanted > max(values):
        return f"{figure(wanted - max(values), 2)} {unit} above all tried"
    if wanted < min(values):
        return f"{figure(min(values) - wanted, 2)} {unit} below all tried"
    nearest = min(abs(value - wanted) for value in values)
    return f"{figure(nearest, 2)} {unit} from the nearest tried"
