"""A field, a ledger and a prescription as a notebook shows them, and a prescription's map there."""

import math
from collections.abc import Iterable
from html import escape
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from vrn.findings import Finding, Quantity
from vrn.model.field import Field
from vrn.model.grid import geodesic_acres
from vrn.nitrogen.ledger import Ledger, Number
from vrn.pages.ramps import rate_colors
from vrn.pages.tables import zones_table
from vrn.prescription.model import Prescription
from vrn.words import UnitFormat, finding_texts, label_of, say

if TYPE_CHECKING:
    from folium import Map

_LEFT: Final = 'style="text-align:left"'
_COLUMNS: Final = ("area", "nitrate", "need", "rate", "product-rate")
_NUMERIC: Final = "+−0123456789"


def field_html(field: Field) -> str:
    """What was read: name, acres, readings, layers, findings; every text escaped."""
    units = UnitFormat.of(field.settings.units)
    samples = field.samples.field_readings()
    depths = ", ".join(
        f"{units.number('depth', top)}–{units.text('depth', bottom)}" for top, bottom in samples.depths_in()
    )
    treated, whole = (Quantity("area", geodesic_acres(one, field.crs)) for one in (field.treated, field.boundary))
    season = str(field.settings.header.season)
    rows: list[tuple[str, ...]] = [
        (say(units, "console.card-field"), say(units, "console.card-field-and-season", name=field.name, season=season)),
        (say(units, "console.card-area"), say(units, "console.card-treated-of-all", treated=treated, all=whole)),
        (
            say(units, "console.card-readings"),
            say(units, "console.card-readings-and-depths", readings=len(samples),
                depths=depths or say(units, "console.card-no-depth")),
        ),
    ]  # fmt: skip
    layers = {
        say(units, "console.card-organic-matter"): field.organic_matter,
        say(units, "console.card-yield-potential"): field.yield_potential,
        say(units, "console.card-applied-n"): field.applied_n,
        say(units, "console.card-zones"): field.zones,
        **field.extra_layers,
    }
    rows += [(name, layer.source) for name, layer in layers.items() if layer is not None]
    if field.weather is not None:
        rows.append(
            (say(units, "console.card-weather"), say(units, "console.card-weather-days", days=len(field.weather.days)))
        )
    body = "".join(f"<tr><th {_LEFT}>{escape(name)}</th><td {_LEFT}>{escape(value)}</td></tr>" for name, value in rows)
    return f"<table><tbody>{body}</tbody></table>" + _findings(field.findings, units)


def ledger_html(ledger: Ledger) -> str:
    """A table of the lines, their sum and the need; of many cells each line shows its least and greatest.

    >>> from vrn.nitrogen.ledger import Line
    >>> line = Line(label="Crop <b>", lb_ac=100.0, basis="", source="", key="crop")
    >>> "Crop &lt;b&gt;" in ledger_html(Ledger(lines=(line,), method="remaining-need"))
    True
    """
    units = UnitFormat(metric=False)
    if any(np.ndim(line.lb_ac) for line in ledger.lines):
        numbers = [_range(line.lb_ac, units) for line in ledger.lines]
    else:
        numbers = [f"{'+' if value >= 0 else ''}{_number(value, units)}" for value in ledger.printed_lb_ac()]
    lines = zip(ledger.lines, numbers, strict=True)
    feet = (("ledger-sum", ledger.unclipped_lb_ac), ("ledger-need", ledger.need_lb_ac))
    return _table(
        say(units, "console.card-ledger", method=ledger.key, unit=units.unit("amount")),
        (say(units, "console.card-ledger-line"), units.unit("amount"), say(units, "console.card-ledger-basis"),
         say(units, "console.card-ledger-source")),
        ((label_of(units, line), number, line.basis, line.source) for line, number in lines),
        [(say(units, f"console.card-{name}"), _range(value, units), "", "") for name, value in feet],
    ) + _bullets(text.problem for text in finding_texts(units, ledger.findings))  # fmt: skip


def prescription_html(prescription: Prescription) -> str:
    """Zones with their rates, totals, one flat rate beside them, what a person must decide; every text escaped."""
    settings, product = prescription.field.settings, prescription.product
    units = UnitFormat.of(settings.units)
    zones = zones_table(prescription, units, _COLUMNS, labels=True)
    state = say(units, "console.card-draft")
    if prescription.approved:
        state = say(units, "console.card-signed", name=str(settings.review.approved_by))
    totals = say(
        units, "console.card-totals" if product.named else "console.card-totals-n",
        area=Quantity("area", prescription.acres),
        mass=Quantity("mass", prescription.total_n_lb),
        product=Quantity("gal" if product.unit == "gal" else "lb", prescription.total_product), name=product.name,
        mean=Quantity("rate", prescription.mean_rate_n_lb_ac), flat=Quantity("rate", prescription.flat_rate_n_lb_ac),
    )  # fmt: skip
    caption = say(
        units,
        "console.card-prescription",
        name=prescription.field.name,
        season=str(settings.header.season),
        state=state,
    )
    decide = tuple(finding for finding in prescription.findings if finding.level == "warning")
    return _table(caption, zones.header, zones.rows) + f"<p>{escape(totals)}</p>" + _findings(decide, units)


def explore(prescription: Prescription, **options: Any) -> "Map":
    """The zones on a map that folium draws, each with its numbers in words."""
    import folium

    units = UnitFormat.of(prescription.field.settings.units)
    zones = prescription.to_geodataframe()
    colors = rate_colors(prescription.rates)
    table = zones_table(prescription, units, _COLUMNS, labels=True)
    names = [f"column_{at}" for at in range(len(table.header))]
    for at, name in enumerate(names):
        zones[name] = [row[at] for row in table.rows]
    west, south, east, north = zones.total_bounds
    drawn = folium.Map(**options)
    folium.GeoJson(
        zones[[*names, "zone", "geometry"]],
        style_function=lambda feature: {
            "fillColor": colors[feature["properties"]["zone"]], "color": "#222222", "weight": 1, "fillOpacity": 0.75,
        },
        tooltip=folium.GeoJsonTooltip(fields=names, aliases=list(table.header)),
    ).add_to(drawn)  # fmt: skip
    drawn.fit_bounds([[south, west], [north, east]])
    return drawn


def _table(caption: str, head: Iterable[str], rows: Iterable[Iterable[str]], foot: Iterable[Iterable[str]] = ()) -> str:
    def row(cells: Iterable[str], tag: str) -> str:
        sides = ((cell, "" if cell[:1] in _NUMERIC else f" {_LEFT}") for cell in cells)
        return "<tr>" + "".join(f"<{tag}{side}>{escape(cell)}</{tag}>" for cell, side in sides) + "</tr>"

    body, feet = "".join(row(cells, "td") for cells in rows), "".join(row(cells, "th") for cells in foot)
    return (
        f"<table><caption>{escape(caption)}</caption><thead>{row(head, 'th')}</thead><tbody>{body}</tbody>"
        f"<tfoot>{feet}</tfoot></table>"
    )


def _findings(findings: Iterable[Finding], units: UnitFormat) -> str:
    decide = f"<b>{escape(say(units, 'console.card-decide'))}</b>: "
    shown = "".join(
        f"<li>{decide if text.level == 'warning' else ''}{escape(f'{text.place}: {text.problem} {text.remedy}')}</li>"
        for text in finding_texts(units, findings)
    )
    return f"<ul>{shown}</ul>" if shown else ""


def _bullets(items: Iterable[str]) -> str:
    shown = "".join(f"<li>{escape(item)}</li>" for item in items)
    return f"<ul>{shown}</ul>" if shown else ""


def _number(value: float, units: UnitFormat) -> str:
    return units.number("amount", value)


def _range(value: Number, units: UnitFormat) -> str:
    """One number, or the least and the greatest of many."""
    known = np.atleast_1d(np.asarray(value, dtype=float))
    known = known[np.isfinite(known)]
    low, high = (_number(float(end), units) for end in ((known.min(), known.max()) if known.size else (math.nan,) * 2))
    return low if low == high else say(units, "console.card-range", low=low, high=high)
