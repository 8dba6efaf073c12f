"""The Plan page's answers by plain arithmetic: each worked-out value with what it was worked out from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from app.core.figures import figure
from app.core.process import beam, melt, oxide_etch, undercut
from app.core.process.layout import layout
from app.queries.plan import OxideRate, PieceUndercut

Row = tuple[str, str, str]
Note = tuple[str, str, str]
"""Kind (error, doubt), bold first sentence, the rest."""
Values = Mapping[str, Any]


@dataclass(frozen=True)
class Answer:
    """Worked-out rows (name, value, inputs), what has to be said about them, and the records behind them."""

    rows: tuple[Row, ...] = ()
    notes: tuple[Note, ...] = ()
    header: tuple[str, ...] = ()
    table: tuple[tuple[str, ...], ...] = ()


def failed(first: str, rest: str = "What you typed is kept.") -> Answer:
    """No answer, and why."""
    return Answer(notes=(("error", first, rest),))


def mask(v: Values) -> Answer:
    """Whether the array fits, gaps, bare silicon, and what the wanted undercut and outer diameter leave."""
    disc, pitch = v["disc_um"], v["pitch_x_um"]
    try:
        found = layout(v["array_rows"], v["array_columns"], disc, pitch, v["plate_mm"], v["edge_margin_mm"])
    except ValueError as why:
        return failed(f"This layout cannot be: {why}.", "Mend pitch, disc or margin. What you typed is kept.")
    wide, high = figure(found.width_um / 1e3, 2), figure(found.height_um / 1e3, 2)
    rows: list[Row] = [
        ("Array", f"{wide} × {high} mm", f"{v['array_columns']} columns, {v['array_rows']} rows, {pitch:g} µm apart"),
        ("Room inside the margin", f"{figure(found.room_um / 1e3, 1)} mm", f"{v['plate_mm']:g} mm plate"),
        ("Most that fit", f"{found.most_columns} × {found.most_rows}", "columns × rows"),
        ("Gap between discs", f"{figure(found.gap_um, 1)} µm", f"{pitch:g} − {disc:g} µm"),
        (
            "Bare silicon",
            f"{figure(found.exposed_cm2, 3)} cm²",
            "loads the XeF₂ etch; plate outside the array not counted",
        ),
    ]
    notes: list[Note] = []
    if not found.fits:
        notes.append(
            ("doubt", "The array does not fit inside the margin.", "Fewer rows or columns, or a closer pitch.")
        )
    if (under := v["undercut_um"]) is not None:
        left = undercut.pillar_top_um(disc, under)
        rows.append(
            ("Pillar left", f"{figure(left, 1)} µm", f"ratio {figure(left / disc, 2)}; {disc:g} − 2 × {under:g} µm")
        )
        if left == 0:
            notes.append(("doubt", "An undercut that deep drops the discs.", "It is half the disc or more."))
        if found.gap_um < under:
            notes.append(
                ("doubt", "The gap is narrower than the undercut is deep.", "Gas reaches such openings more slowly.")
            )
    if (outer := v["outer_um"]) is not None:
        rows.append(("Between finished rims", f"{figure(pitch - outer, 1)} µm", f"{pitch:g} − {outer:g} µm"))
        if outer >= disc:
            notes.append(("doubt", "A toroid is smaller than its disc.", "The outer diameter wanted is not."))
    return Answer(tuple(rows), tuple(notes))


def _rate(v: Values, own: tuple[OxideRate, ...]) -> tuple[float, float | None, str]:
    """Rate to go by, the temperature it is known at, and where it is from."""
    if v["rate_nm_per_min"] is not None:
        return v["rate_nm_per_min"], v["known_bath_c"], "as typed"
    if own:
        rates = sorted(each.rate_nm_per_min for each in own)
        middle = (rates[(len(rates) - 1) // 2] + rates[len(rates) // 2]) / 2
        baths = [each.bath_c for each in own if each.bath_c is not None]
        mean = sum(baths) / len(baths) if len(baths) == len(own) else None
        said = f"median of the lab’s last {len(own)}" if len(own) > 1 else "the lab’s last"
        return middle, v["known_bath_c"] if v["known_bath_c"] is not None else mean, said
    name = v["etchant"] or "BHF 5:1"
    return oxide_etch.THERMAL_OXIDE_NM_PER_MIN[name], 20.0, f"published, {name}, about 20 °C; no rate of the lab’s own"


def oxide(v: Values, own: tuple[OxideRate, ...]) -> Answer:
    """Etch time from the rate typed, the lab's own last rates or the published one, corrected for temperature."""
    rate, known, said = _rate(v, own)
    rows: list[Row] = [("Rate", f"{figure(rate, 1)} nm/min", said)]
    notes: list[Note] = []
    used, over, bath = rate, v["over_etch_percent"] or 0.0, v["bath_c"]
    if over < 0:
        return failed("Over-etch is below zero.", "An etch stopped early is not planned here. What you typed is kept.")
    if bath is not None and known is None:
        notes.append(
            ("doubt", "No temperature is known for this rate.", "Type “Rate known at”; no factor was applied.")
        )
    elif bath is not None and known is not None:
        energy = 0.40 if v["activation_ev"] is None else v["activation_ev"]
        used = oxide_etch.rate_at_temperature(rate, known, bath, energy)
        rows.append(("Temperature factor", figure(used / rate, 3), f"{known:.1f} → {bath:g} °C, Eₐ {energy:g} eV"))
    thick = v["oxide_um"] * 1e3
    if used <= 0:
        return failed("The rate comes out as nothing.", "Look at the temperatures. What you typed is kept.")
    bare, time = oxide_etch.etch_time_s(thick, used), oxide_etch.etch_time_s(thick, used, over)
    rows.append(("Time to clear", _minutes(bare), f"{thick:g} nm at {figure(used, 1)} nm/min"))
    rows.append(("Time with over-etch", _minutes(time), f"{over:g} % over"))
    rows.append(
        ("Sideways under the resist", f"{figure(thick * (1 + over / 100) / 1e3, 2)} µm", "each side, isotropic")
    )
    if v["rate_nm_per_min"] is None and own:
        ratios = {each.etchant for each in own}
        if len(ratios) > 1:
            notes.append(("doubt", "These rates are of unlike etchants.", "Type the rate of the bath you will use."))
        table = tuple(
            (e.code, f"{e.at:%Y-%m-%d}", figure(e.rate_nm_per_min, 1), figure(e.bath_c, 1), e.etchant or "not said")
            for e in own
        )
        header = ("Piece", "Etched", "Rate / nm/min", "Bath / °C", "Buffer to HF")
        return Answer(tuple(rows), tuple(notes), header, table)
    return Answer(tuple(rows), tuple(notes))


def _minutes(seconds: float) -> str:
    whole = round(seconds)
    return f"{whole // 60} min {whole % 60:02d} s" if whole >= 60 else f"{figure(seconds, 1)} s"


def _own(v: Values, name: str, known: PieceUndercut | None) -> float | None:
    """What was typed, else what the piece's records say."""
    value = v[name] if v[name] is not None or known is None else getattr(known, name)
    return None if value is None else float(value)


def cycles(v: Values, known: PieceUndercut | None) -> Answer:
    """Cycles to the wanted pillar ratio from what is typed, else from the piece's own records; rounded down."""
    if v["piece"] and known is None:
        return failed(f"No piece is called {v['piece']}.", "Mend the code. What you typed is kept.")
    disc = _own(v, "disc_um", known)
    dose = _own(v, "dose_torr_s", known)
    seconds = _own(v, "cycle_s", known)
    torr = _own(v, "xef2_torr", known)
    pillar = v["pillar_top_x_um"]
    if pillar is None and known and known.disc_um is not None and known.undercut_um is not None:
        pillar = known.disc_um - 2 * known.undercut_um
    asked = {"disc": disc, "pillar now": pillar, "dose so far": dose, "time of a cycle": seconds, "XeF₂": torr}
    missing = [name for name, value in asked.items() if value is None]
    if known and known.stale and pillar is None:
        return failed("The pillars were measured before the last undercut.", "Measure again, or type disc and pillar.")
    if missing or disc is None or pillar is None or dose is None or seconds is None or torr is None:
        return failed(f"Still needed: {', '.join(missing)}.", "Type it, or name a piece that has been measured.")
    if pillar > disc:
        return failed(f"A pillar of {pillar:g} µm does not fit under a disc of {disc:g} µm.")
    return _cycles(v, known, (disc, pillar, dose), undercut.Segment(1, seconds, torr))


def _cycles(v: Values, known: PieceUndercut | None, now: tuple[float, float, float], pulse: undercut.Segment) -> Answer:
    disc, pillar, dose = now
    wanted = disc * (1 - v["pillar_ratio"]) / 2
    done = undercut.undercut_um(disc, pillar)
    found = undercut.cycles_to_go(done, dose, wanted, pulse)
    if found is None:
        return failed("Nothing is undercut yet, or a cycle has no dose.", "A rate needs an undercut and a dose so far.")
    per, ceiling = found.um_per_torr_s * pulse.cycle_torr_s, _ceiling(v, pulse)
    notes: list[Note] = []
    if ceiling is not None and per > ceiling:
        notes.append(
            ("doubt", "The gas of a pulse cannot remove that much.", "The ceiling is below the rate; cycles go by it.")
        )
        exact = max(0.0, wanted - done) / ceiling if ceiling else 0.0
        whole = int(exact + 1e-9)
        found = replace(found, exact=exact, whole=whole, undercut_after_um=done + whole * ceiling)
        if not ceiling:
            return failed("A pulse without gas or volume removes nothing.")
    said = f"median of {known.discs} discs of {known.piece.code}" if known and known.discs else "as typed"
    gas = f"{pulse.cycle_s:g} s at {pulse.xef2_torr:g} Torr"
    after = undercut.pillar_top_um(disc, found.undercut_after_um)
    rows: list[Row] = [
        ("Undercut now", f"{figure(done, 1)} µm", f"disc {disc:.1f}, pillar {pillar:.1f} µm; where not typed, {said}"),
        ("Undercut wanted", f"{figure(wanted, 1)} µm", f"ratio {v['pillar_ratio']:g}"),
        ("Undercut per cycle so far", f"{figure(per, 2)} µm", f"{gas}; dose {dose:g} Torr·s"),
        ("Cycles to go", f"{found.whole}", f"rounded down from {figure(found.exact, 2)}: look again first"),
        ("Pillar ratio then", figure(after / disc, 2), f"pillar {figure(after, 1)} µm"),
    ]  # fmt: skip
    if ceiling is not None:
        rows.append(("Ceiling of a pulse", f"{figure(ceiling, 2)} µm", f"over {v['exposed_cm2']:g} cm² bare"))
    if wanted <= done:
        notes.append(("doubt", "The pillar is already as narrow as wanted.", "No cycle is left to run."))
    return Answer(tuple(rows), tuple(notes))


def _ceiling(v: Values, pulse: undercut.Segment) -> float | None:
    if v["exposed_cm2"] is None or v["expansion_cm3"] is None:
        return None
    return undercut.ceiling_um_per_cycle(v["expansion_cm3"] / 1e3, pulse.xef2_torr, v["exposed_cm2"])


def sphere(v: Values) -> Answer:
    """Sphere by volume, and with the cap hidden in the stem."""
    fibre, length = v["cladding_um"], v["melted_um"]
    given = f"{fibre:g} µm fibre, {length:g} µm melted"
    simple, stem = melt.sphere_um(fibre, length), melt.sphere_on_stem_um(fibre, length)
    if isinstance(stem, melt.NoShape):
        return Answer(notes=(("doubt", "No sphere comes of it.", f"{stem.reason}."),))
    return Answer(
        (
            ("Sphere on its stem", f"{figure(stem, 1)} µm", given),
            ("Sphere by volume alone", f"{figure(simple, 1)} µm", f"{given}; the cap in the stem left out"),
        )
    )


def toroid(v: Values) -> Answer:
    """Minor diameter of the toroid a disc melts into, in both forms."""
    disc, thick, outer = v["disc_um"], v["oxide_um"], v["outer_um"]
    given = f"disc {disc:g}, oxide {thick:g}, outer {outer:g} µm"
    exact, simple = melt.toroid(disc, thick, outer), melt.toroid_minor_simple_um(disc, thick, outer)
    if isinstance(exact, melt.NoShape) or isinstance(simple, melt.NoShape):
        reason = next(each.reason for each in (exact, simple) if isinstance(each, melt.NoShape))
        return failed("No toroid comes of it.", f"{reason[0].upper()}{reason[1:]}. What you typed is kept.")
    return Answer(
        (
            ("Minor diameter", f"{figure(exact.minor_um, 2)} µm", given),
            ("Minor diameter, simple form", f"{figure(simple, 2)} µm", given),
            ("Membrane radius", f"{figure(exact.membrane_radius_um, 1)} µm", "where it meets the rim"),
        )
    )


def on_sample(v: Values) -> Answer:
    """Peak intensity, and with an exposure fluence and energy."""
    power, spot, time = v["power_w"], v["spot_um"], v["exposure_s"]
    given = f"{power:g} W in a spot of {spot:g} µm"
    rows: list[Row] = [("Peak intensity", f"{figure(beam.peak_intensity_w_cm2(power, spot) / 1e3, 2)} kW/cm²", given)]
    if time is not None:
        rows.append(
            ("Fluence at the centre", f"{figure(beam.fluence_j_cm2(power, spot, time) / 1e3, 2)} kJ/cm²", f"{time:g} s")
        )
        rows.append(("Energy", f"{figure(beam.energy_j(power, time), 2)} J", f"{power:g} W × {time:g} s"))
    rows.append(
        ("Spot, full width at half maximum", f"{figure(beam.half_maximum_um(spot), 1)} µm", f"{spot:g} µm at 1/e²")
    )
    return Answer(tuple(rows))
