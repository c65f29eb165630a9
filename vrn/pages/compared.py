"""What was really applied against the prescription: a page, a map layer, the numbers."""

import hashlib
import json
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
import shapely
from markupsafe import Markup

import vrn
from vrn.files.staging import write_files
from vrn.model.applied import Comparison, ZoneApplied
from vrn.pages.compared_map import applied_map
from vrn.pages.page_parts import page_asset, templates
from vrn.units import AC_M2
from vrn.words import UnitFormat, finding_texts, findings_json, say

_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'"


def write_comparison(comparison: Comparison, out_dir: str | Path) -> Path:
    """
    Write ``compared.html``, ``compared.gpkg`` and ``summary.json`` into a folder of their own.

    Parameters
    ----------
    comparison : Comparison
    out_dir : path
        Replaced whole when it holds only an earlier comparison.

    Returns
    -------
    folder : Path

    Raises
    ------
    OutputError
        If the folder holds files of another origin, or cannot be written.
    """
    files = {
        "compared.html": compared_page(comparison).encode("utf-8"),
        "compared.gpkg": _layers(comparison),
    }
    shown = UnitFormat(metric=comparison.units == "metric")
    summary = comparison.to_plain() | {
        "findings": findings_json(shown, comparison.findings),
        "files": {name: hashlib.sha256(content).hexdigest() for name, content in files.items()},
        "versions": {"vrn": vrn.__version__},
    }
    text = json.dumps(summary, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    return write_files(files | {"summary.json": text.encode("utf-8")}, out_dir)


def compared_page(comparison: Comparison) -> str:
    """
    The page as text.

    Parameters
    ----------
    comparison : Comparison

    Returns
    -------
    html : str
        One file with its picture inside; nothing is asked of the network.
    """
    unit, shown = comparison.unit, UnitFormat(metric=comparison.units == "metric")
    facts = [
        ("Applied", shown.text(unit, comparison.applied_product)),
        ("Prescribed", shown.text(unit, comparison.prescribed_product)),
        ("Applied of the prescribed", f"{100 * comparison.applied_product / comparison.prescribed_product:.1f} %"),
        ("Driven ground within ± 10 % of the prescription", f"{100 * comparison.within_share:.1f} %"),
        ("Not covered", shown.text("area", comparison.skipped_acres)),
        ("Covered more than once", shown.text("area", comparison.overlapped_acres)),
    ]
    return templates().get_template("compared.html").render(
        policy=_POLICY, css=Markup(page_asset("report.css")), comparison=comparison, facts=facts,
        heads=[shown.unit("area"), shown.unit("rate"), shown.unit("mass")],
        zones=[_row(zone, shown) for zone in comparison.zones],
        dropped=[
            say(shown, f"audit.dropped-{why}", records=count) for why, count in comparison.dropped.items() if count
        ],
        warnings=[found for found in finding_texts(shown, comparison.findings) if found.level == "warning"],
        notes=[found for found in finding_texts(shown, comparison.findings) if found.level == "note"],
        picture=Markup("data:image/png;base64,") + applied_map(comparison, shown),
    )  # fmt: skip


def _row(zone: ZoneApplied, shown: UnitFormat) -> dict[str, str]:
    return {
        "name": str(zone.zone) if zone.zone else "no-apply ground",
        "acres": shown.number("area", zone.acres),
        "driven": shown.number("area", zone.driven_acres),
        "target": shown.number("rate", zone.target_n_lb_ac),
        "mean": shown.number("rate", zone.mean_n_lb_ac),
        "total": shown.number("mass", zone.total_n_lb),
        "within": f"{100 * zone.within_share:.0f} %" if np.isfinite(zone.within_share) else "",
    }


def _layers(comparison: Comparison) -> bytes:
    """GeoPackage of the records' ground, the skips and the overlaps."""
    import pyogrio

    target, applied = comparison.target_n_lb_ac, comparison.applied_n_lb_ac
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(target > 0, applied / target, np.nan)
    layers: list[tuple[str, Any, dict[str, Any]]] = [
        ("applied", comparison.footprints,
         {"applied_n_lb_ac": applied, "target_n_lb_ac": target, "applied_of_target": ratio}),
        ("zones", np.array(list(comparison.outlines.values()), dtype=object),
         {"zone": np.array(list(comparison.outlines), dtype=np.int32)}),
    ]  # fmt: skip
    for name, area in (("skips", comparison.skips), ("overlaps", comparison.overlaps)):
        parts = shapely.get_parts(area)
        if len(parts):
            layers.append((name, parts, {"acres": shapely.area(parts) / AC_M2}))
    stamp = f"{comparison.season}-01-01T00:00:00.000Z"
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": stamp})  # GDAL writes today's date otherwise
    try:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "compared.gpkg"
            for number, (name, shapes, columns) in enumerate(layers):
                pyogrio.raw.write(
                    path, np.array(shapely.to_wkb(shapes), dtype=object), field_data=list(columns.values()),
                    fields=list(columns), layer=name, driver="GPKG", geometry_type="Unknown", crs=comparison.crs,
                    append=number > 0,
                )  # fmt: skip
            return path.read_bytes()
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})
