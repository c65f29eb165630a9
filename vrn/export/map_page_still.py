"""The field as a still picture in SVG: it stands in where scripts do not run, in print and in the report."""

from html import escape

import numpy as np
import shapely

from vrn.export.map_page_words import rate_colors
from vrn.export.report_units import Shown
from vrn.prescription.model import Prescription
from vrn.units import FT_M

_WIDTH = 640.0  # units of the drawing
_INK, _PAPER, _QUIET = "#1b1b18", "#ffffff", "#6b6860"
_OPENING = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="-4 -4 {width:.0f} {height:.0f}" role="img" aria-label="{title}" '
    f'font-family="sans-serif"><defs><pattern id="still-hatch" width="8" height="8" patternUnits="userSpaceOnUse" '
    f'patternTransform="rotate(45)"><rect width="8" height="8" fill="{_PAPER}"/>'
    f'<line x1="0" y1="0" x2="0" y2="8" stroke="{_QUIET}" stroke-width="3"/></pattern></defs>'
)


def still_picture(prescription: Prescription, shown: Shown) -> str:
    """
    Zones with their rates, samples, no-apply ground, a scale bar and north.

    Parameters
    ----------
    prescription : Prescription
    shown : Shown

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
    for rate in prescription.rates:
        for point in label_points(rate.outline, whole.area):
            x, y = shapely.get_coordinates(place(point))[0]
            text = f"{rate.zone}: {shown.number('n_rate', rate.rate_n_lb_ac)}"
            half = 4.6 * len(text) + 5
            parts.append(
                f'<rect x="{x - half:.1f}" y="{y - 11:.1f}" width="{2 * half:.1f}" height="22" fill="{_PAPER}" '
                f'stroke="{_INK}"/><text x="{x:.1f}" y="{y + 5:.1f}" text-anchor="middle" font-size="15" '
                f'font-weight="600" fill="{_INK}">{escape(text)}</text>'
            )
    parts.append(_scale_bar(scale, height, width, shown))
    parts.append("</svg>")
    return "".join(parts)


def label_points(outline: shapely.Geometry, field_m2: float) -> list[shapely.Point]:
    """
    Where a zone's number stands: at the widest place of its largest part, and of other large parts.

    Parameters
    ----------
    outline : shapely Polygon or MultiPolygon
    field_m2 : float
        A part of a thirtieth of it is large. [m²]

    Returns
    -------
    points : list of shapely Point
    """
    parts = sorted((part for part in shapely.get_parts(outline) if part.area > 0), key=lambda part: -part.area)
    shown = [part for i, part in enumerate(parts) if i == 0 or part.area >= field_m2 / 30]
    return [shapely.Point(shapely.maximum_inscribed_circle(part, tolerance=2.0).coords[0]) for part in shown]


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


def _scale_bar(scale: float, height: float, width: float, shown: Shown) -> str:
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
