"""A field as a notebook shows it."""

from html import escape
from typing import TYPE_CHECKING

from vrn.model.area import geodesic_acres

if TYPE_CHECKING:
    from vrn.model.field import Field


def field_html(field: "Field") -> str:
    """
    What was read: name, acres, samples, layers, findings.

    Parameters
    ----------
    field : Field

    Returns
    -------
    html : str
        Every text escaped.
    """
    samples = field.samples.field_readings()
    depths = ", ".join(f"{top:g}–{bottom:g} in" for top, bottom in samples.depths_in()) or "none"
    rows = [
        ("field", f"{field.name}, season {field.settings.header.season}"),
        (
            "acres",
            " treated of ".join(f"{geodesic_acres(one, field.crs):.1f}" for one in (field.treated, field.boundary)),
        ),
        ("readings", f"{len(samples)} of nitrate ({depths})"),
    ]
    layers = {
        "organic matter": field.organic_matter,
        "yield potential": field.yield_potential,
        "applied nitrogen": field.applied_n,
        "zones": field.zones,
        **field.extra_layers,
    }
    rows += [(name, layer.source) for name, layer in layers.items() if layer is not None]
    rows += [("weather", f"{len(field.weather.days)} days")] if field.weather is not None else []
    body = "".join(
        f'<tr><th style="text-align:left">{escape(name)}</th><td style="text-align:left">{escape(value)}</td></tr>'
        for name, value in rows
    )
    findings = "".join(
        f"<li>{'<b>To decide</b>: ' if finding.level == 'warning' else ''}{escape(str(finding))}</li>"
        for finding in field.findings
    )
    return f"<table><tbody>{body}</tbody></table>" + (f"<ul>{findings}</ul>" if findings else "")
