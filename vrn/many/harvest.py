"""``vrn harvest``: plots of a trial from the harvest log and what was applied, and what each trial says by itself."""

import dataclasses
import hashlib
import json
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.audit.coverage import Laid, Sold, read_laid
from vrn.audit.model import Ground
from vrn.audit.opened import Opened, open_folder
from vrn.audit.paper_checks import rate_unit
from vrn.errors import InputFileError
from vrn.findings import Finding, note, warning
from vrn.ingest.input_files import InputFiles
from vrn.ingest.yield_log import read_yield_logs
from vrn.many.outcomes import says_alone
from vrn.model.grid import reproject
from vrn.model.settings import YieldPotentialLayer
from vrn.model.trials import Harvested, PastTrial, TrialPlot
from vrn.pipeline.learning import against_need
from vrn.response.loss import ANCHOR
from vrn.response.places import supplies_of
from vrn.surface.yield_cleaning import CleanLog, clean
from vrn.units import FT_M
from vrn.words import UnitFormat, say

Array = NDArray[np.float64]
PLOTS: Final = "trial_plots.geojson"
_STRIP: Final = re.compile(r"check strip (\d+), ([+-][\d.]+) lb N/ac in zone (\d+)")
# choices of this project, no source
_STRIP_END_FT, _LEAST_FT = 72.0, 50.0  # left off each end of a strip, and the least that is worth measuring
_HEAD_INSIDE, _COVERED, _REACHED, _MOST_ALIKE, _ACROSS, _DIFFERS = 0.9, 0.9, 0.9, 0.5, 0.7, 0.05
_FEWEST_POINTS, _MOST_SD, _FEWEST_PLOTS, _FEWEST_RATES, _LEAST_SPREAD = 20, 10.0, 12, 4, 60.0
DROPPED: Final = ("short", "not-covered", "uneven", "few-points")  # codes of why a plot is left out
_SAME_RATE: Final = 5.0  # rates nearer than this are one [lb N/ac]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Plot:
    """A plot as it was laid: ground in the field's system, its zone, and what is left off each end."""

    block: str
    label: str
    zone: int
    planned_n_lb_ac: float
    ground: shapely.Geometry
    buffer_ft: float
    own: Mapping[str, Any] = dataclasses.field(default_factory=dict)  # its own need and supplies, where they are kept


def read_trial_harvest(
    folder: str | Path, harvest: str | Path, applied: str | Path | None, *, leave_out: Sequence[str] = (),
    column: str | None = None, rate_column: str | None = None, unit: str | None = None, width_ft: float | None = None,
    price_ratio: float = ANCHOR,
) -> Harvested:  # fmt: skip
    """
    Trials of a written prescription, read from its harvest.

    Parameters
    ----------
    folder, harvest : path
        As ``vrn build`` wrote it, with a trial or check strips; a harvest log, as yield potential takes it.
    applied : path or None
        As ``vrn compare`` takes it; None takes the plan for what was applied.
    leave_out : sequence of str
        Plots that a person leaves out, each with a reason: ``"block 1 plot 3: washed out"``.
    column, rate_column, unit, width_ft, price_ratio : optional
        Column of the dry yield; of the as-applied file, as for ``vrn compare``; $/lb over $/bu.

    Raises
    ------
    InputFileError
        If there is no trial, a file cannot be read or is of another year or field, too few plots or rates are left, or
        the rates followed the need.
    """
    opened = open_folder(Path(folder))
    ground = opened.ground
    if ground is None:
        problem = f"{folder}: the boundary cannot be read from layers.gpkg."
        raise InputFileError(problem, "Build the prescription again, and run vrn verify on it.")
    plots = tuple(_laid_plots(opened, ground)) or tuple(_strip_plots(opened, ground))
    if not plots:
        problem = f"{folder} holds no trial: neither {PLOTS} nor check strips."
        raise InputFileError(problem, "Lay one with [trial] or [check_strips] in the field file before the pass.")
    log, findings = _harvest_log(Path(harvest), ground, opened.summary["field"], int(opened.summary["season"]), column)
    laid = None
    if applied is not None:
        laid = read_laid(
            Path(applied), _sold(opened), boundary=ground.boundary, never=ground.never, crs=ground.crs,
            rate_column=rate_column, unit=unit, width_m=None if width_ft is None else width_ft * FT_M,
        )  # fmt: skip
    measured = _measured(plots, log, laid, ground.crs, _reasons(leave_out, plots))
    findings += [] if laid is None else laid.findings
    findings += _of_all(measured, laid, harvest=Path(harvest).name)
    trials = tuple(_trials(opened, plots, measured, Path(harvest), None if applied is None else Path(applied)))
    return Harvested(
        field=opened.summary["field"], season=opened.summary["season"], units=opened.summary["units"], crs=ground.crs,
        boundary=ground.boundary, folder=str(folder), trials=trials, findings=tuple(findings),
        says=tuple(says_alone(trial, price_ratio=price_ratio) for trial in trials),
        tops=tuple(against_need(trial) for trial in trials),
    )  # fmt: skip


def _laid_plots(opened: Opened, ground: Ground) -> Iterator[_Plot]:
    """Plots of a trial that was laid into the pass."""
    path = opened.folder / PLOTS
    if not path.is_file():
        return
    try:
        features = json.loads(path.read_text(encoding="utf-8"))["features"]
        for feature in (one for one in features if one["properties"]["label"].startswith("trial block")):
            said = feature["properties"]
            outline = reproject(shapely.geometry.shape(feature["geometry"]), "EPSG:4326", ground.crs)
            yield _Plot(
                block=f"block {said['block']}", label=f"plot {said['plot']}", zone=int(said["zone"]), ground=outline,
                planned_n_lb_ac=float(said["rate_n_lb_ac"]), buffer_ft=float(said["buffer_ft"]),
                own=said,
            )  # fmt: skip
    except (ValueError, KeyError, TypeError) as error:
        problem = f"{path} cannot be read ({type(error).__name__}: {error})."
        raise InputFileError(problem, "Build the prescription again.") from error


def _strip_plots(opened: Opened, ground: Ground) -> Iterator[_Plot]:
    """The strip with more, the ordinary one beside it and the strip with less of each pair, zone by zone."""
    outlines = {int(zone): shapely.union_all(ground.zones.polygons[ground.zones.zone == zone])
                for zone in np.unique(ground.zones.zone)}  # fmt: skip
    pairs: dict[tuple[int, int], dict[float, int]] = {}
    rates = {}
    for zone in opened.summary["zones"]:
        rates[int(zone["zone"])] = float(zone["rate_n_lb_ac"])
        found = _STRIP.fullmatch(zone.get("label", ""))
        if found:
            pairs.setdefault((int(found[3]), int(found[1])), {})[float(found[2])] = int(zone["zone"])
    for (within, pair), strips in sorted(pairs.items()):
        if len(strips) < 2 or within not in outlines:
            continue
        more, less = (outlines[strips[change]] for change in (max(strips), min(strips)))
        between = shapely.difference(shapely.convex_hull(shapely.union(more, less)), shapely.union(more, less))
        plain = shapely.intersection(between, outlines[within])
        for zone, name, outline in (
            (strips[max(strips)], "more", more), (within, "as planned", plain), (strips[min(strips)], "less", less),
        ):  # fmt: skip
            yield _Plot(block=f"strips in zone {within}", label=f"pair {pair}, {name}", zone=zone, ground=outline,
                        planned_n_lb_ac=rates[zone], buffer_ft=_STRIP_END_FT)  # fmt: skip


def _net(plot: _Plot) -> tuple[shapely.Geometry, Array]:
    """A plot without its ends, and the unit vector of its passes; empty ground where nothing is left."""
    corners = shapely.get_coordinates(shapely.minimum_rotated_rectangle(plot.ground))
    if len(corners) < 4:
        return shapely.Polygon(), np.array([1.0, 0.0])
    sides = corners[1:3] - corners[0:2]
    length = np.hypot(*sides.T)
    along = np.asarray(sides[length.argmax()] / length.max(), dtype=np.float64)
    left_m = float(length.max()) - 2 * plot.buffer_ft * FT_M
    if left_m < _LEAST_FT * FT_M:
        return shapely.Polygon(), along
    middle, across = corners[:4].mean(axis=0), np.array([-along[1], along[0]]) * length.max()
    ends = [middle + sign * along * left_m / 2 + side * across for sign, side in ((1, 1), (1, -1), (-1, -1), (-1, 1))]
    return shapely.intersection(plot.ground, shapely.Polygon(ends)), along


def _harvest_log(
    path: Path, ground: Ground, name: str, season: int, column: str | None
) -> tuple[CleanLog, list[Finding]]:
    """The cleaned log of the field of a name, in its year."""
    if not path.is_file():
        problem = f"{path} is not a file that is there."
        raise InputFileError(problem, "Give the harvest log: CSV or what yield potential is read from.")
    files = InputFiles(path.absolute().parent)
    section = YieldPotentialLayer(kind="yield_log", file=path.name, column=column)
    log = read_yield_logs(files, section, ground.boundary, ground.crs).logs[0]
    if log.season is not None and log.season != season:
        problem = f"{path.name} is the harvest of {log.season}, the prescription of {season}."
        raise InputFileError(problem, f"Give the harvest log of {season}, or the folder of {log.season}.")
    cleaned = clean(log)
    findings = [*files.findings, *cleaned.findings]
    if log.fields and name.casefold() not in map(str.casefold, log.fields):
        findings.append(warning("season.other-field", path.name, named=", ".join(log.fields[:3]), field=name))
    return cleaned, findings


def _sold(opened: Opened) -> Sold:
    if np.isnan(opened.n_lb_per_unit):
        problem = "The prescription applies nothing: there is no trial in it."
        raise InputFileError(problem, "Give the folder of the prescription that was driven.")
    product = opened.summary["product"]
    return Sold(name=product["name"], unit=product["unit"], n_lb_per_unit=opened.n_lb_per_unit,
                rate_unit=rate_unit(opened.summary))  # fmt: skip


def _reasons(leave_out: Sequence[str], plots: Sequence[_Plot]) -> dict[str, str]:
    """What a person says of plots, by their names; before any yield is shown."""
    names, found = [_name(plot) for plot in plots], {}
    for entry in leave_out:
        name, _, reason = (part.strip() for part in entry.partition(":"))
        if name not in names or not reason:
            problem = f'"{entry}" names no plot with a reason.'
            raise InputFileError(problem, f'Write "PLOT: reason", where PLOT is as "{names[0]}".')
        found[name] = reason
    return found


def _name(plot: _Plot) -> str:
    return f"{plot.block} {plot.label}"


def _measured(
    plots: Sequence[_Plot], log: CleanLog, laid: Laid | None, crs: str, reasons: Mapping[str, str]
) -> tuple[TrialPlot, ...]:
    """What each plot got and yielded, in their order; InputFileError where they were not harvested along."""
    points, half = log.passes.points_m, log.swath_m / 2
    sideways = np.column_stack([-log.passes.along[:, 1], log.passes.along[:, 0]]) * half
    heads = shapely.linestrings(np.stack([points - sideways, points + sideways], axis=1))
    tree = shapely.STRtree(heads)
    prints = None if laid is None else shapely.STRtree(laid.prints.polygons)
    corner = np.min([plot.ground.bounds[:2] for plot in plots], axis=0)
    found, across, inside = [], 0, 0
    for plot in plots:
        net, along = _net(plot)
        near = tree.query(net)
        share = shapely.length(shapely.intersection(heads[near], net)) / (2 * half)
        mine = near[share >= _HEAD_INSIDE]
        within = near[shapely.contains_xy(net, *points[near].T)] if len(near) else near
        inside += len(within)
        across += int((np.abs(log.passes.along[within] @ along) < _ACROSS).sum())
        n_lb_ac, sd, covered = (plot.planned_n_lb_ac, 0.0, 1.0)
        if laid is not None and prints is not None:
            n_lb_ac, sd, covered = _applied_on(net, laid, prints)
        why = reasons.get(_name(plot), "") or ("short" if net.is_empty else "")
        why = why or ("" if covered >= _COVERED else "not-covered") or ("" if sd <= _MOST_SD else "uneven")
        why = why or ("" if len(mine) >= _FEWEST_POINTS else "few-points")
        middle = (np.array(plot.ground.centroid.coords[0]) - corner) / FT_M
        lonlat = reproject(net if not net.is_empty else plot.ground, crs, "EPSG:4326")
        found.append(TrialPlot(
            label=plot.label, planned_n_lb_ac=plot.planned_n_lb_ac, n_lb_ac=n_lb_ac, sd_n_lb_ac=sd, points=len(mine),
            yield_bu_ac=float(log.yield_bu_ac[mine].mean()) if len(mine) else float("nan"), why=why,
            x_ft=float(middle[0]), y_ft=float(middle[1]), outline=shapely.to_wkt(lonlat, rounding_precision=7),
        ))  # fmt: skip
    if inside and across > inside / 2:
        problem = "The plots were harvested across, not along their passes: each yield is of several rates."
        raise InputFileError(problem, "This trial cannot be read. Harvest the next one along the applicator's passes.")
    if (reached := np.mean([plot.points > 0 for plot in found])) < _REACHED:
        problem = f"Only {reached:.0%} of the {len(found)} plots hold whole harvest records."
        raise InputFileError(problem, "Give the log of this field, and check its swath width and coordinates.")
    return tuple(found)


def _applied_on(net: shapely.Geometry, laid: Laid, prints: shapely.STRtree) -> tuple[float, float, float]:
    """Mean nitrogen on a plot, its spread, and the share of the plot that got any. [lb N/ac]"""
    near = prints.query(net, predicate="intersects")
    if not len(near) or net.is_empty:
        return float("nan"), float("nan"), 0.0
    rate = laid.rate_n_lb_ac[near]
    if not laid.prints.areas_known:
        return float(rate.mean()), float(rate.std()), 1.0
    pieces = shapely.intersection(laid.prints.polygons[near], net)
    area = np.where((size := shapely.area(pieces)) > _SLIVER * laid.prints.area_m2[near], size, 0.0)
    if not area.any():
        return float("nan"), float("nan"), 0.0
    covered = float(shapely.area(shapely.union_all(pieces)))
    mean = float((rate * area).sum()) / max(covered, 1e-9)
    spread = float(np.sqrt(np.average((rate - np.average(rate, weights=area)) ** 2, weights=area)))
    return mean, spread, covered / float(shapely.area(net))


def _of_all(plots: Sequence[TrialPlot], laid: Laid | None, *, harvest: str) -> Iterator[Finding]:
    """What a person must know of the plots together."""
    dropped = sum(bool(plot.why) for plot in plots)
    if dropped:
        yield note("season.plots-dropped", harvest, dropped=dropped, plots=len(plots))
    if laid is None:
        yield warning("season.as-planned", "as planned")
        return
    kept = [plot for plot in plots if not plot.why]
    if kept and all(abs(one.n_lb_ac - one.planned_n_lb_ac) < _COPIED and one.sd_n_lb_ac < _COPIED / 5 for one in kept):
        yield warning("season.copied-plan", laid.source)


_SLIVER: Final = 0.02  # of a record's ground: less of it is a neighbor's edge
_COPIED: Final = 0.25  # no machine keeps so near its plan, plot after plot [lb N/ac]


def _trials(
    opened: Opened, plots: Sequence[_Plot], measured: Sequence[TrialPlot], harvest: Path, applied: Path | None
) -> Iterator[PastTrial]:
    """A trial for each block; InputFileError where what is left of one is no trial."""
    summary = opened.summary
    zones = {int(zone["zone"]): zone for zone in summary["zones"]}
    acres = sum(float(zone["acres"]) for zone in zones.values())
    everywhere = [
        (float(zone["acres"]), _supplies(zone)) for zone in zones.values() if None not in zone["ledger"].values()
    ]
    for block in dict.fromkeys(plot.block for plot in plots):
        mine = [(plot, seen) for plot, seen in zip(plots, measured, strict=True) if plot.block == block]
        kept = [(_ground(zones[plot.zone], plot), seen) for plot, seen in mine if not seen.why]
        _must_be_a_trial(block, kept, [seen.why for _, seen in mine if seen.why], strips=block.startswith("strips"))
        supplies = [zone["supplies"] for zone, _ in kept]
        yield PastTrial(
            field=summary["field"], season=int(summary["season"]), block=block, rx=str(summary["id"]),
            method=summary["method"]["key"], approved=bool(summary["approved"]), acres=acres,
            need_lb_ac=float(np.mean([zone["need"] for zone, _ in kept])), plots=tuple(seen for _, seen in mine),
            supplies=_mean(supplies, np.ones(len(supplies))),
            typical=_mean([one for _, one in everywhere], np.array([area for area, _ in everywhere])),
            harvest_sha256=_sha256(harvest), applied_sha256="" if applied is None else _sha256(applied),
        )  # fmt: skip


def _must_be_a_trial(
    block: str, kept: Sequence[tuple[Mapping[str, Any], TrialPlot]], out: Sequence[str], *, strips: bool
) -> None:
    """Refuse what holds too few plots or rates, or rates that went with the need or the ground."""
    rates = np.array([seen.n_lb_ac for _, seen in kept])
    groups = 1 + int((np.diff(np.sort(rates)) > _SAME_RATE).sum()) if len(rates) else 0
    fewest, least = (3, 3) if strips else (_FEWEST_PLOTS, _FEWEST_RATES)
    spread = float(np.ptp(rates)) if len(rates) else 0.0
    if len(kept) < fewest or groups < least:
        why = Counter(say(UnitFormat(metric=False), f"season.why-{one}") if one in DROPPED else one for one in out)
        left = f" Left out: {', '.join(f'{name} ({count})' for name, count in why.items())}." if why else ""
        problem = f"{block} has too few plots left for a trial: {len(kept)}, at {groups} different rates.{left}"
        raise InputFileError(problem, f"At least {fewest} plots at {least} rates are needed.")
    if not strips and spread < _LEAST_SPREAD:
        problem = f"{block}: the applied rates differ by {spread:.0f} lb/ac only."
        raise InputFileError(problem, f"A trial needs {_LEAST_SPREAD:.0f} lb/ac between its lowest and highest rate.")
    layers = {"need": [zone["need"] for zone, _ in kept], "soil nitrate": [zone["nitrate_ppm"] for zone, _ in kept],
              "organic matter": [zone["organic_matter_pct"] for zone, _ in kept],
              "yield goal": [zone["yield_goal_bu_ac"] for zone, _ in kept]}  # fmt: skip
    for name, values in () if strips else layers.items():
        of_plots = np.array([np.nan if value is None else value for value in values], dtype=float)
        if np.isfinite(of_plots).all() and of_plots.std() > _DIFFERS * max(abs(float(of_plots.mean())), 1.0):
            alike = float(np.corrcoef(rates, of_plots)[0, 1])
            if abs(alike) > _MOST_ALIKE:
                problem = f"{block}: the rates followed the {name} (r = {alike:.2f}), so this is no trial."
                raise InputFileError(problem, "Leave it out. A trial's rates must not go with its ground.")


def _ground(zone: Mapping[str, Any], plot: _Plot) -> dict[str, Any]:
    """What the summary says of a plot's zone, with the plot's own supplies, and its need with nothing learned in it."""
    learned = sum(lb_ac for key, lb_ac in zone["ledger"].items() if key.startswith("learned_"))
    need = plot.own.get("need_lb_ac") or sum(zone["ledger"].values())  # a plot's own is cut at 0
    own = _supplies({"ledger": {key: -value for key, value in plot.own.get("supplies", {}).items()}})
    return {**zone, "need": float(need) - learned, "supplies": own or _supplies(zone)}


def _supplies(zone: Mapping[str, Any]) -> dict[str, float]:
    return {name: float(value) for name, value in supplies_of(zone["ledger"]).items()}


def _mean(rows: Sequence[Mapping[str, float]], weights: Array) -> dict[str, float]:
    names = sorted(set.intersection(*(set(row) for row in rows))) if rows else []
    return {name: float(np.average([row[name] for row in rows], weights=weights)) for name in names}


def _sha256(path: Path) -> str:
    """Hash of a file, or of every file of a folder by its name."""
    digest = hashlib.sha256()
    for one in sorted(path.rglob("*")) if path.is_dir() else [path]:
        if one.is_file():
            digest.update(one.name.encode() + b"\0" + one.read_bytes())
    return digest.hexdigest()
