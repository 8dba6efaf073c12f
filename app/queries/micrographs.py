"""A micrograph measured: its scale, the rings found or given by three points, sizes in µm and what they suggest."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from app.core.imaging.coarse import Seen
from app.core.imaging.judge import Suggestion, offset, suggestions
from app.core.imaging.rays import Picture
from app.core.imaging.rings import Ring, find_rings, fit_ring
from app.core.imaging.scale import Bar, circle_through, find_bar, um_per_px
from app.core.imaging.shape import Outline
from app.core.refusal import Refusal
from app.core.stages import last_stage
from app.db.models.events import Event
from app.db.models.material import Device
from app.db.models.people import Operator, Tool
from app.db.models.seen import Attachment, Finding
from app.queries.scans import trail_of

Points = tuple[tuple[float, float], ...]
OF_EVENTS = ("undercut_measurement", "inspection")


@dataclass(frozen=True)
class Circle:
    """One outline in pixels, found by its edge, or by three points alone where no edge was seen there."""

    name: str
    outline: Outline
    rays: int = 0
    used: float = 0.0

    @property
    def by_hand(self) -> bool:
        """Whether it rests on three points alone."""
        return self.rays == 0


@dataclass(frozen=True)
class Measured:
    """A picture with what was read off it; sizes by field in µm, with one standard deviation each."""

    width: int
    height: int
    scale: float
    scale_from: str
    bar: Bar | None
    circles: tuple[Circle, ...]
    sizes: Mapping[str, float]
    sigmas: Mapping[str, float]
    told: tuple[tuple[str, str], ...]
    """What else the outline says, in words."""
    suggested: tuple[Suggestion, ...]


@dataclass(frozen=True)
class Kept:
    """A picture kept with a record of a device."""

    id: int
    sha256: str
    file_name: str
    event_id: int
    kind: str
    done_at: datetime
    who: str


@dataclass(frozen=True)
class MicrographFacts:
    """The device a picture is of, microscopes or objectives with their scale, pictures kept of it."""

    device_code: str
    kind: str
    last_stage: str
    trail: tuple[tuple[str, str], ...]
    tools: Mapping[str, str]
    scales: Mapping[int, float]
    kept: tuple[Kept, ...]


def micrograph_facts(session: Session, code: str) -> MicrographFacts | None:
    """For the micrograph form of a device; None where there is no such device."""
    device = session.scalar(select(Device).where(Device.code_key == code.casefold()))
    if device is None:
        return None
    tools = session.scalars(select(Tool).where(Tool.kind == "microscope").order_by(Tool.code_key)).all()
    scales = {tool.id: value for tool in tools if (value := (tool.properties or {}).get("um_per_px"))}
    words = {
        str(tool.id): f"{tool.code}, {tool.name}" + (f", {scales[tool.id]:g} µm/px" if tool.id in scales else "")
        for tool in tools
    }
    return MicrographFacts(
        device.code,
        device.kind,
        last_stage(device.kind),
        trail_of(session, device),
        words,
        scales,
        tuple(_kept(session, device.id)),
    )


def _kept(session: Session, device_id: int) -> list[Kept]:
    seen = select(Finding.inspection_id).where(Finding.device_id == device_id)
    rows = session.execute(
        select(Attachment, Event.id, Event.kind, Event.done_at, Operator.initials)
        .join(Event, Event.id == Attachment.of_id)
        .outerjoin(Operator, Operator.id == Event.operator_id)
        .where(
            Attachment.of_table.in_(OF_EVENTS),
            or_(Event.device_id == device_id, Event.id.in_(seen)),
            Event.voided_at.is_(None),
        )
        .order_by(Event.done_at.desc(), Attachment.id.desc())
    )
    return [Kept(a.id, a.sha256, a.file_name, at, kind, done, who or "") for a, at, kind, done, who in rows]


def read_points(text: str | None) -> Points:
    """Three points typed as `x y; x y; x y` in pixels; () for nothing, ValueError for anything else."""
    if not (text or "").strip():
        return ()
    numbers = [float(each) for each in (text or "").replace(";", " ").replace(",", " ").split()]
    if len(numbers) != 6 or not np.isfinite(numbers).all():
        raise ValueError("Give three points as x y; x y; x y, in pixels")
    return tuple(zip(numbers[::2], numbers[1::2], strict=True))


def measure(
    picture: Picture,
    *,
    reflowed: bool,
    scale: float | None,
    scale_from: str,
    bar_um: float | None,
    outer: Points = (),
    inner: Points = (),
) -> Measured:
    """Scale and outlines of a picture. A bar's length goes before `scale`; Refusal where neither gives a scale."""
    bar = find_bar(picture) if bar_um is not None else None
    if bar_um is not None:
        if bar is None:
            raise Refusal.of("No drawn scale bar was found: give the scale itself.", at="bar_um")
        scale, scale_from = um_per_px(bar_um, bar.length_px), f"the drawn bar, {bar.length_px} px"
    if scale is None:
        raise Refusal.of(
            "Give the scale: a calibrated objective, µm per pixel, or the drawn bar’s length.", at="um_per_px"
        )
    circles = _circles(picture, ("outer rim" if reflowed else "disc", "pillar"), (outer, inner))
    sizes, sigmas = _sizes(circles, scale, reflowed)
    return Measured(
        width=picture.shape[1],
        height=picture.shape[0],
        scale=scale,
        scale_from=scale_from,
        bar=bar,
        circles=circles,
        sizes=sizes,
        sigmas=sigmas,
        told=_told(circles, scale),
        suggested=_suggested(circles, reflowed),
    )


def _suggested(circles: Sequence[Circle], reflowed: bool) -> tuple[Suggestion, ...]:
    if not circles:
        return ()
    pillar = circles[1].outline if len(circles) > 1 else None
    return suggestions(circles[0].outline, pillar, reflowed=reflowed)


def _circles(picture: Picture, names: Sequence[str], given: Sequence[Points]) -> tuple[Circle, ...]:
    """The outermost ring and, inside it, the plainest one; points given go before what is found."""
    found = find_rings(picture) if not all(given) else ()
    inside = [ring for ring in found[1:] if ring.outline.radius < 0.97 * found[0].outline.radius]
    rings = [found[0] if found else None, max(inside, key=lambda ring: ring.contrast * ring.used, default=None)]
    circles: list[Circle] = []
    for name, ring, points, field in zip(names, rings, given, ("outer", "inner"), strict=True):
        if points:
            circles.append(_through(picture, name, points, field))
        elif ring is not None:
            circles.append(Circle(name, ring.outline, ring.rays, ring.used))
        elif not circles:
            break  # without an outer outline a pillar alone says nothing
    return tuple(circles)


def _through(picture: Picture, name: str, points: Points, field: str) -> Circle:
    try:
        x, y, radius = circle_through(points)
    except ValueError as wrong:
        raise Refusal.of(f"{str(wrong).capitalize()}.", at=field) from None
    if not (0 < radius < 2 * max(picture.shape)):
        raise Refusal.of("The circle through these points is far larger than the picture.", at=field)
    ring: Ring | None = fit_ring(picture, Seen(x, y, radius, 0)) if radius > 6 else None
    moved = None if ring is None else np.hypot(ring.outline.x - x, ring.outline.y - y)
    if ring is not None and moved is not None and moved + abs(ring.outline.radius - radius) < max(8.0, 0.05 * radius):
        return Circle(name, ring.outline, ring.rays, ring.used)
    sigma = 1.0  # a click is good to about a pixel
    drawn = Outline(x, y, radius, 2 * radius, 2 * radius, 0.0, 0.0, sigma, sigma, 2 * sigma, 0.0)
    return Circle(name, drawn)


def _sizes(circles: Sequence[Circle], scale: float, reflowed: bool) -> tuple[dict[str, float], dict[str, float]]:
    """(sizes, sigmas) in µm by the field of the record they go into."""
    sizes: dict[str, tuple[float, float]] = {}
    if circles:
        outer = circles[0].outline
        sizes["outer_um" if reflowed else "disc_um"] = 2 * outer.radius, 2 * outer.radius_sigma
        if reflowed and not circles[0].by_hand:
            sizes["roundness_um"] = outer.roundness, outer.roundness_sigma
    if len(circles) > 1 and not reflowed:
        pillar = circles[1].outline
        wide, high = _across(pillar)
        sizes["pillar_top_x_um"] = wide, pillar.axis_sigma
        sizes["pillar_top_y_um"] = high, pillar.axis_sigma
        sizes["pillar_offset_um"] = offset(circles[0].outline, pillar)
    return (
        {name: round(value * scale, 2) for name, (value, _) in sizes.items()},
        {name: sigma * scale for name, (_, sigma) in sizes.items()},
    )


def _across(outline: Outline) -> tuple[float, float]:
    """Diameters of the ellipse along the picture's x and y through its centre."""
    a, b, turn = outline.major / 2, outline.minor / 2, outline.major_angle
    along_x = 2 / float(np.hypot(np.cos(turn) / a, np.sin(turn) / b))
    along_y = 2 / float(np.hypot(np.sin(turn) / a, np.cos(turn) / b))
    return along_x, along_y


def _told(circles: Sequence[Circle], scale: float) -> tuple[tuple[str, str], ...]:
    lines: list[tuple[str, str]] = []
    for circle in circles:
        o = circle.outline
        if circle.by_hand:
            lines.append(
                (circle.name, f"circle through three points, {2 * o.radius * scale:.2f} µm; no edge seen there")
            )
            continue
        size = f"{2 * o.radius * scale:.3f} ± {2 * o.radius_sigma * scale:.3f} µm"
        axes = f"axes {o.major * scale:.3f} and {o.minor * scale:.3f} ± {o.axis_sigma * scale:.3f} µm"
        round_ = f"roundness {o.roundness * scale:.3f} ± {o.roundness_sigma * scale:.3f} µm"
        rays = f"edge on {round(circle.used * circle.rays)} of {circle.rays} rays"
        lines.append((circle.name, f"{size}, {axes}, eccentricity {o.eccentricity:.3f}, {round_}, {rays}"))
    if len(circles) > 1:
        apart, sigma = offset(circles[0].outline, circles[1].outline)
        lines.append(("centres apart", f"{apart * scale:.3f} ± {sigma * scale:.3f} µm"))
    return tuple(lines)


def drawn(circle: Circle) -> dict[str, float]:
    """The ellipse to draw over the picture, in pixels and degrees."""
    o = circle.outline
    shape = {"x": o.x + 0.5, "y": o.y + 0.5, "rx": o.major / 2, "ry": o.minor / 2, "turn": np.degrees(o.major_angle)}
    return {name: round(float(value), 2) for name, value in shape.items()}


def picture_kept(session: Session, attachment_id: int) -> tuple[str, str] | None:
    """(digest, file name) of a picture kept with a record."""
    row = session.execute(
        select(Attachment.sha256, Attachment.file_name).where(
            Attachment.id == attachment_id, Attachment.of_table.in_(OF_EVENTS)
        )
    ).first()
    return (row.sha256, row.file_name) if row else None
