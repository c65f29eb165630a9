"""The text of a new field folder: a commented field file and an empty samples form."""

import io
import json
import re
import secrets
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

SAMPLES_HEADER = "sample_id,longitude,latitude,top_in,bottom_in,nitrate_ppm,kind,sampled_on,nominal_ppm\n"

# what a metric field file says instead, key by key; the remark behind a line stays
_METRIC = {
    'units = "us"': 'units = "metric"',
    "#edge_buffer_ft = 0": "#edge_buffer_m = 0",
    "#setback_ft = 0": "#setback_m = 0",
    "yield_goal_bu_ac = 0": "yield_goal_t_ha = 0",
    "#n_lb_ac = 0": "#n_kg_ha = 0",
    "#organic_n_lb_ac = 0": "#organic_n_kg_ha = 0",
    "organic_n_last_year_lb_ac": "organic_n_last_year_kg_ha",
    "organic_n_two_years_ago_lb_ac": "organic_n_two_years_ago_kg_ha",
    "#ammonium_after_sampling_lb_ac = 0": "#ammonium_after_sampling_kg_ha = 0",
    "#water_in = 0": "#water_mm = 0",
    "#least_patch_ac = 0.5": "#least_patch_ha = 0.2",
    "swath_ft = 60": "swath_m = 18",
    "min_rate_n_lb_ac = 30": "min_rate_n_kg_ha = 35",
    "max_rate_n_lb_ac = 180": "max_rate_n_kg_ha = 200",
    "rate_step_n_lb_ac = 5": "rate_step_n_kg_ha = 5",
    "max_n_lb_ac = 180": "max_n_kg_ha = 200",
    "nozzle_flow_gal_min = 0.40": "nozzle_flow_l_min = 1.50",
    "nozzle_psi = 40": "nozzle_kpa = 275",
    "at nozzle_psi": "at nozzle_kpa",
    "#max_season_n_lb_ac = 240": "#max_season_n_kg_ha = 270",
    "#corn_per_bu = 4.00": "#corn_per_t = 160",
    "#n_per_lb = 0.60": "#n_per_kg = 1.30",
    '#column = "n_lb_ac"': '#column = "n_kg_ha"',
    "bushels per acre": "tonnes per hectare, at 15.5 % moisture",
    "pounds of N per acre": "kilograms of N per hectare",
    "pounds per acre that appear": "kilograms per hectare that appear",
    "pounds of nitrogen": "kilograms of nitrogen",
    '"bu_ac"': '"t_ha"',
    '#depth = "0-12 in"': '#depth = "0-30 cm"',
    'as "0-12" replaces top_in and bottom_in': 'as "0-30" replaces top_cm and bottom_cm',
    "date, tmin_f, tmax_f, rain_in (or tmin_c, tmax_c, rain_mm)": "date, tmin_c, tmax_c, rain_mm",
}

_TEMPLATE = """\
# One field. Fill in every line marked <-- ; then:  vrn check field.toml
# Lines that begin with # and a key are optional: remove the # to use them. Paths are relative to this file.
units = "us"
# Nothing applied yet this season? Write it on a line of its own here:  applications = "none"

[field]
name = ""                          # <-- as the operator knows it
#id = "name-of-its-own"            # the same every season, no other field's: the season book knows the field by it
season = {season}
boundary = "boundary.geojson"      # <-- any vector file with the outline: GeoJSON, shapefile, GeoPackage, KML
#edge_buffer_ft = 0                # keep the edge cells' rate out to this distance, so that a drifting boom stays on

#[farm]                            # names on the terminal, the map and the sheets
#grower = "name of the grower"
#farm = "name of the farm"

#[[field.no_apply]]                # ground that gets nothing; repeat the table for several files
#file = "waterway.geojson"
#setback_ft = 0                    # your own legal figure: local rules and the label decide

[crop]
yield_goal_bu_ac = 0               # <-- bushels per acre
growth_stage = ""                  # <-- leaf collars on the day the cores were pulled, as "V8"
#application_date = {season}-06-18

[samples]
file = "samples.csv"               # a form lies beside this file
reported_as = ""                   # <-- "NO3-N" or "NO3": it is on the lab sheet or the meter
moisture_basis = ""                # <-- "dry", or "moist" with water_pct
#water_pct = 20                    # water in percent of the dry soil's weight
#depth = "0-12 in"                 # of every core, where the file has no depths
#[samples.columns]                 # when the file calls them otherwise: our name = "their name"
#nitrate_ppm = "nitrate_ppm"
#                                  # one column with text as "0-12" replaces top_in and bottom_in: depth = "its name"
#[samples.areas]                   # when readings are composites of areas: polygons, and the column with their area_id
#file = "areas.geojson"
#column = "area_id"

[layers.organic_matter]            # one value, or a file of points, polygons or a raster
value_pct = -1                     # <-- percent; or remove this line and use the two below
#file = "organic_matter.csv"
#column = "om_pct"

#[layers.yield_potential]          # without it the yield goal is the same everywhere
#file = "yield_potential.tif"
#kind = "relative"                 # mean 1, scaled to the goal; or "bu_ac"; or "yield_log" for harvester files
#years = 5                         # of harvest behind it; weight = 0.5 is how much of its pattern counts, 1 all of it

#[layers.applied_n]                # map of nitrogen already down, pounds of N per acre
#file = "applied.geojson"
#column = "n_lb_ac"

#[weather]                         # date, tmin_f, tmax_f, rain_in (or tmin_c, tmax_c, rain_mm)
#file = "weather.csv"              # a forecast may follow the record
#normals = "normals.csv"           # long-term daily means of any year, where the file has no day

#[[applications]]                  # nitrogen already put on; repeat the table for each pass
#date = {season}-04-20
#product = "UAN 28"
#n_lb_ac = 0

#[nitrogen]
#method = "remaining-need"         # see: vrn methods

#[credits]                         # pounds per acre that appear after sampling
#manure = 0
#irrigation_water = 0
#[credits.manure_spread]           # instead of manure: worked out from what was spread
#kind = "solid"                    # "liquid", "solid", "poultry", or "nebraska" for that state's schedule
#organic_n_lb_ac = 0               # for this season; also organic_n_last_year_lb_ac, organic_n_two_years_ago_lb_ac
#ammonium_after_sampling_lb_ac = 0 # with days_to_incorporation = 0
#[credits.water]                   # instead of irrigation_water: nitrate of the water, and water still to come
#nitrate_ppm = 0
#water_in = 0

#[zones]
#count = 4                         # left out: as many as pay
#least_patch_ac = 0.5

#[product]                         # without it rates are pounds of nitrogen, and no product is assumed
#name = "UAN 32"
#rate_basis = "product"            # what the terminal is set to: "product", or "n" for pounds of nitrogen

[machine]
swath_ft = 60
min_rate_n_lb_ac = 30              # the least it can apply while it is on
max_rate_n_lb_ac = 180
rate_step_n_lb_ac = 5
#heading_deg = 90                  # of the passes, from true north; left out: the way with fewest turns
#lines = "passes.geojson"          # where passes are not straight: a line for each; else two rounds along the edge

#[job]                             # for the operator's ticket
#placement = "drops"               # or "injected", "broadcast", "incorporated": sets the cautions
#growth_stage = "V9"               # on the day it is applied
#inhibitor = "none"                # or "urease", "nitrification", "both"
#outlets = 24                      # nozzles, drops or knives over the swath
#nozzle_flow_gal_min = 0.40        # of one of them with water, at nozzle_psi
#nozzle_psi = 40
#emergency = "911; road and gate"

[limits]
max_n_lb_ac = 180                  # agronomic or legal cap for this pass
#max_season_n_lb_ac = 240          # with everything already applied

#[prices]
#corn_per_bu = 4.00
#n_per_lb = 0.60

#[review]                          # or sign what was built: vrn sign DIR --by "name"
#approved_by = "name"
#approved_on = {season}-06-17
#approved_id = "id of summary.json"
"""


def new_field_files(season: int, *, metric: bool = False, boundary: str = "boundary.geojson") -> dict[str, str]:
    """
    Files of a new field folder to fill in, text by name, for a year of harvest and the name of the boundary's file.

    Examples
    --------
    >>> list(new_field_files(2026))
    ['field.toml', 'samples.csv']
    """
    text = _template(season, metric).replace('"boundary.geojson"', f'"{boundary}"')
    return {"field.toml": text, "samples.csv": samples_form(metric=metric)}


def with_id(text: str) -> str:
    """A new field file's text with an id of its own for the season book."""
    return text.replace('#id = "name-of-its-own"', f'{f"""id = "{secrets.token_hex(5)}" """:<23}', 1)


def samples_form(*, metric: bool) -> str:
    """An empty table of samples: its header."""
    return SAMPLES_HEADER.replace("top_in,bottom_in", "top_cm,bottom_cm") if metric else SAMPLES_HEADER


def _template(season: int, metric: bool) -> str:
    text = _TEMPLATE.format(season=season)
    if metric:
        for trade, other in _METRIC.items():
            text = text.replace(trade, other)
        text = re.sub(r"^(\S.*\S) +(# .*)$", lambda line: f"{line[1]:<34} {line[2]}", text, flags=re.MULTILINE)
    return text


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """One table of the field file: settled ``keys``, ``open`` ones written as remarks, ``again`` more of its kind."""

    keys: dict[str, object] = field(default_factory=dict)
    open: dict[str, object] = field(default_factory=dict)
    again: tuple[dict[str, object], ...] = ()


def settled_field_file(season: int, sections: Mapping[str, Section], *, metric: bool = False) -> str:
    """
    The field file with what is settled, every other line of it a remark to be filled in.

    Parameters
    ----------
    season : int
    sections : mapping of str to Section
        By the table's path, as ``"layers.yield_potential"``.
    metric : bool

    Examples
    --------
    >>> text = settled_field_file(2026, {"samples": Section(keys={"file": "lab.xlsx"})})
    >>> [line for line in text.splitlines() if "lab.xlsx" in line]
    ['file = "lab.xlsx"']
    """
    lines: list[str] = []
    section, name = Section(), ""
    for line in _template(season, metric).splitlines():
        header = re.match(r"#?(\[+([\w.]+)\]+)", line)
        if header is not None:
            name = header[2]
            section = sections.get(name, Section())
            sure = bool(section.keys) or name in ("field", "crop", "samples")
            lines.append(line.removeprefix("#") if sure else f"#{line.removeprefix('#')}")
            lines += [f"{key} = {toml_text(value)}" for key, value in section.keys.items()]
            lines += [f"{f'#{key} = {toml_text(value)}':<34} # <--" for key, value in section.open.items()]
            for more in section.again:
                lines += [header[1], *(f"{key} = {toml_text(value)}" for key, value in more.items())]
        elif (key := re.match(r"#?(\w+) = ", line)) is None or not name:
            lines.append(line)
        elif key[1] not in section.keys and key[1] not in section.open:
            lines.append(line if line.startswith("#") else f"#{line.replace('  #', ' #', 1)}")
    return "\n".join(lines).replace("# Lines that begin with # and a key are optional", _SETTLED) + "\n"


_SETTLED = (
    "# It was made from your files. Lines marked <-- wait for you: remove the # and fill them in.\n"
    "# Other lines that begin with # and a key are optional"
)


def toml_text(value: object) -> str:
    """A value as TOML writes it; a table goes on one line."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{key} = {toml_text(item)}" for key, item in value.items()) + "}"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(toml_text(item) for item in value) + "]"
    return json.dumps(value, ensure_ascii=False)


def boundary_to_copy(path: Path) -> tuple[str, bytes]:
    """
    A boundary that a new field folder gets a copy of: its name there, and its content.

    It keeps its ending; the parts of a shapefile, given by its ``.shp``, are put into one ``.zip``. Refuses a file that
    is not the outline of one field.
    """
    from vrn.ingest.input_files import InputFiles
    from vrn.ingest.outline import read_boundary
    from vrn.model.settings import FieldSection

    files = InputFiles(path.resolve().parent)
    source = files.source(path.name, "--boundary")
    read_boundary(files, FieldSection(name=path.stem or "field", season=2000, boundary=path.name))
    if source.suffix == ".shp":
        parts = {name: (files.folder / name).read_bytes() for name in sorted(files.inputs)}
        return "boundary.zip", _zipped({f"boundary{Path(name).suffix.lower()}": parts[name] for name in parts})
    return f"boundary{source.suffix}", files.read(source)


def _zipped(files: dict[str, bytes]) -> bytes:
    """Files, content by name, as one zip archive; the same bytes whenever it is made."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in files.items():
            archive.writestr(zipfile.ZipInfo(name), content, zipfile.ZIP_DEFLATED)
    return packed.getvalue()
