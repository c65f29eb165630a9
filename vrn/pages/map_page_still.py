"""The field as a still picture in SVG: it stands in where scripts do not run, in print and in the report."""

from collections.abc import Callable, Iterable
from html import escape

import numpy as np
import shapely

from vrn.pages.map_page_words import rate_colors
from vrn.prescription.model import Prescription
from vrn.units import FT_M
from vrn.words import UnitFormat

_WIDTH = 640.0  # units of the drawing
_INK, _PAPER, _QUIET = "#1b1b18", "#ffffff", "#6b6860"
_OPENING = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="-4 -4 {width:.0f} {height:.0f}" role="img" aria-label="{title}" '
    f'font-family="sans-serif"><defs><pattern id="still-hatch" width="8" height="8" patternUnits="userSpaceOnUse" '
    f'patternTransform="rotate(45)"><rect width="8" height="8" fill="{_PAPER}"/>'
    f'<line x1="0" y1="0" x2="0" y2="8" stroke="{_QUIET}" stroke-width="3"/></pattern></defs>'
)


def still_picture(prescription: Prescription, shown: UnitFormat) -> str:
    """
    Zones with their rates, samples, no-apply ground, a scale bar and north.

    Parameters
    ----------
    prescription : Prescription
    shown : UnitFormat

    Returns
    -------
    svg : str
        Markup with its own title, text escaped.
    """
    field = prescription.field
    whole = shapely.union_all([prescription.outline(), field.boundary])
    west, south, east, north = whole.bounds
    scale = _WIDTH / max(east - west, (north - south) * 1.1)
    width, height = (east - west) * scale, (north - south) * scale

    def place(geometry: shapely.Geometry) -> shapely.Geometry:
        return shapely.transform(geometry, lambda xy: np.column_stack([(xy[:, 0] - west), (north - xy[:, 1])]) * scale)

    colors = rate_colors(prescription)
    title = escape(f"Map of {field.name}: zones with their rates", quote=True)
    parts = [_OPENING.format(width=width + 8, height=height + 40, title=title)]
    parts += [_path(place(rate.outline), fill=colors[rate.zone]) for rate in prescription.rates]
    if not field.no_apply.is_empty:
        parts.append(_path(place(shapely.intersection(field.no_apply, field.boundary)), fill="url(#still-hatch)"))
    cores = shapely.MultiPoint(np.unique(field.samples.field_readings().coordinates_m, axis=0))
    parts += [
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3" fill="{_INK}" stroke="{_PAPER}"/>'
        for x, y in shapely.get_coordinates(place(cores))
    ]
    texts = [
        (*shapely.get_coordinates(place(point))[0].tolist(), text) for point, text in zone_labels(prescription, shown)
    ]
    for x, y, text in labels_apart(texts, wide=_label_width, high=22.0):
        half = _label_width(text) / 2
        parts.append(
            f'<rect x="{x - half:.1f}" y="{y - 11:.1f}" width="{2 * half:.1f}" height="22" fill="{_PAPER}" '
            f'stroke="{_INK}"/><text x="{x:.1f}" y="{y + 5:.1f}" text-anchor="middle" font-size="15" '
            f'font-weight="600" fill="{_INK}">{escape(text)}</text>'
        )
    parts.append(_scale_bar(scale, height, width, shown))
    parts.append("</svg>")
    return "".join(parts)


def zone_labels(prescription: Prescription, shown: UnitFormat) -> list[tuple[shapely.Point, str]]:
    """
    Number and rate of each zone, at the widest place of its largest part and of other large parts.

    Parameters
    ----------
    prescription : Prescription
    shown : UnitFormat

    Returns
    -------
    labels : list of (Point, str)
        The largest part of each zone first, the larger zone before the smaller: where two do not fit, the first stays.
    """
    large_m2 = float(prescription.outline().area) / 30
    found = []
    for rate in prescription.rates:
        text = f"{rate.zone}: {shown.number('rate', rate.rate_n_lb_ac)}"
        parts = sorted((part for part in shapely.get_parts(rate.outline) if part.area > 0), key=lambda part: -part.area)
        found += [(i > 0, part, text) for i, part in enumerate(parts) if i == 0 or part.area >= large_m2]
    found.sort(key=lambda label: (label[0], -label[1].area))
    return [
        (shapely.Point(shapely.maximum_inscribed_circle(part, tolerance=2.0).coords[0]), text)
        for _, part, text in found
    ]


def labels_apart(
    labels: Iterable[tuple[float, float, str]], *, wide: Callable[[str], float], high: float
) -> list[tuple[float, float, str]]:
    """
    Labels that do not cover one before them.

    Parameters
    ----------
    labels : iterable of (x, y, text)
        The more important first.
    wide : callable
        Width of a text with its frame, in the unit of ``x``.
    high : float
        Its height.

    Returns
    -------
    labels : list of (x, y, text)

    Examples
    --------
    >>> labels_apart([(0.0, 0.0, "1: 90"), (4.0, 1.0, "7: 60"), (9.0, 0.0, "2: 75")], wide=lambda text: 5.0, high=2.0)
    [(0.0, 0.0, '1: 90'), (9.0, 0.0, '2: 75')]
    """
    kept: list[tuple[float, float, str]] = []
    for x, y, text in labels:
        if all(abs(y - b) >= high or abs(x - a) >= (wide(text) + wide(other)) / 2 for a, b, other in kept):
            kept.append((x, y, text))
    return kept


def _label_width(text: str) -> float:
    return 9.2 * len(text) + 10


def _path(geometry: shapely.Geometry, *, fill: str) -> str:
    """Polygons of a geometry as one path, holes left open."""
    rings: list[str] = []
    for polygon in shapely.get_parts(geometry):
        if polygon.geom_type != "Polygon":
            continue
        rings += [
            "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in shapely.get_coordinates(ring)) + "Z"
            for ring in (polygon.exterior, *polygon.interiors)
        ]
    return f'<path d="{"".join(rings)}" fill="{fill}" fill-rule="evenodd" stroke="{_INK}" stroke-width="1.2"/>'


def _scale_bar(scale: float, height: float, width: float, shown: UnitFormat) -> str:
    """A round distance of about a quarter of the width, and an arrow to the north."""
    unit, unit_m = ("m", 1.0) if shown.metric else ("ft", FT_M)
    reach = width / 4 / scale / unit_m
    power = 10.0 ** np.floor(np.log10(reach))
    length = max(times for times in (1, 2, 5) if times * power <= reach) * power
    pixels, y = length * unit_m * scale, height + 18
    return (
        f'<path d="M0 {y - 5:.1f}V{y:.1f}H{pixels:.1f}V{y - 5:.1f}" fill="none" stroke="{_INK}" stroke-width="1.5"/>'
        f'<text x="{pixels + 6:.1f}" y="{y + 3:.1f}" font-size="13" fill="{_INK}">{length:,.0f} {unit}</text>'
        f'<path d="M{width - 8:.1f} {y + 4:.1f}V{y - 12:.1f}l-4 6m4 -6l4 6" fill="none" stroke="{_INK}" '
        f'stroke-width="1.5"/><text x="{width - 26:.1f}" y="{y + 3:.1f}" font-size="13" fill="{_INK}">N</text>'
    )
