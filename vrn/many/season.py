"""What a season book says today: what is due, what is still DRAFT, what to order, and results."""

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from datetime import date, timedelta
from itertools import accumulate, chain
from typing import Any, Literal

import numpy as np
import shapely

from vrn.findings import Finding, note, warning
from vrn.many.book import Entry
from vrn.model.metric_keys import column
from vrn.model.season import Due, Order, Outcome, Result, SeasonZone, State
from vrn.model.trials import PastTrial
from vrn.nitrogen.stage import stage_name, stage_position

# a collar takes 82 growing degree days up to V10, 50 after it (Nielsen, Purdue); a June day brings about 20 (82/58 °F)
_DAYS_PER_COLLAR, _DAYS_PER_LATE_COLLAR, _LATE = 82.0 / 20.0, 50.0 / 20.0, 10.0
# corn short of nitrogen that got it by V12 to V16 still made full yield (University of Missouri): the earlier end
_LAST_STAGE = 12.0
_SAME_DEG = 2e-5  # about two metres


def season_of(entries: Iterable[Entry], today: date) -> int | None:
    """The season that a day is in: its year's; where the book has none of that year, the last before it, or the next.

    >>> entries = [Entry(field_file="a", folder="a", status="built", season=year) for year in (2025, 2026, 2062)]
    >>> [season_of(entries, date(year, 6, 1)) for year in (2024, 2026, 2027)]
    [2025, 2026, 2026]
    """
    seasons = {entry.season for entry in entries if entry.season is not None}
    past = [season for season in seasons if season <= today.year]
    return max(past) if past else min(seasons, default=None)


def due(
    entries: tuple[Entry, ...], came: tuple[Outcome, ...], today: date, season: int | None = None
) -> tuple[Due, ...]:  # fmt: skip
    """Fields in the order in which they want a decision: failed ones, then by days left, applied ones last.

    Of several seasons only one counts, that of the day where none is given. Fields of one name get their grower's and
    farm's beside it.
    """
    season = season or season_of(entries, today)
    mine = [entry for entry in entries if entry.season in (season, None)]
    applied = [item for item in came if item.what in ("applied_n_lb", "applied_product")]
    by_key = {(item.season, item.key) for item in applied}
    by_name = {(item.season, item.field) for item in applied if not item.key}
    zones = _zones([feature for entry in mine for feature in entry.outlines])
    found = []
    for entry, label in zip(mine, _labels_of(mine), strict=True):
        keys = {(entry.season, key) for key in {entry.key, *entry.keys} - {""}}
        done = not by_key.isdisjoint(keys) or (entry.season, entry.field) in by_name
        found.append(_due(entry, label, done, today, tuple(next(zones) for _ in entry.outlines)))
    order = {"failed": 0, "DRAFT": 1, "approved": 1, "applied": 2}
    found.sort(key=lambda item: (order[item.state], item.days_left is None, item.days_left or 0, item.field))
    return tuple(found)


def _labels_of(entries: Sequence[Entry]) -> list[str]:
    """Names of fields, with grower and farm, or the key, where a name is another field's too."""
    names = Counter(entry.field for entry in entries)
    longer = [", ".join(filter(None, (entry.field, entry.grower, entry.farm))) for entry in entries]
    counts = Counter(longer)
    return [entry.field if names[entry.field] == 1 else long if counts[long] == 1 else f"{long} ({entry.key})"
            for entry, long in zip(entries, longer, strict=True)]  # fmt: skip


def season_findings(fields: Sequence[Due], entries: Sequence[Entry], season: int | None) -> tuple[Finding, ...]:
    """What a person must look at: one ground under two fields, and fields whose latest build is of another season."""
    twice = [warning("season.same-ground", f"{one.field} and {other.field}", field=one.field, other=other.field)
             for one, other in _same_ground(fields)]  # fmt: skip
    away = [entry for entry in entries if entry.season not in (season, None)]
    later = [warning("season.later", entry.field, field=entry.field, season=str(entry.season))
             for entry in away if (entry.season or 0) > (season or 0)]  # fmt: skip
    earlier = len(away) - len(later)
    late = [item.field for item in fields if item.late]
    past = [note("season.late", "season", count=len(late), fields="; ".join(late))] if late else []
    return (*twice, *later, *past, *([note("season.earlier", "book", count=earlier)] if earlier else []))


def _same_ground(fields: Sequence[Due]) -> tuple[tuple[Due, Due], ...]:
    """Pairs of fields whose ground has the same bounds to about two metres: one field, counted twice."""
    boxes = sorted(((item.bounds, item) for item in fields if item.bounds), key=lambda pair: pair[0])
    pairs = []
    for place, (box, item) in enumerate(boxes):
        for other, twin in boxes[place + 1 :]:
            if other[0] - box[0] > _SAME_DEG:
                break
            if max(abs(a - b) for a, b in zip(box, other, strict=True)) <= _SAME_DEG:
                pairs.append((item, twin))
    return tuple(pairs)


def _due(entry: Entry, label: str, applied: bool, today: date, zones: tuple[SeasonZone, ...]) -> Due:
    stage_now, last_day = _stage_and_last_day(entry, today)
    summary, crop = entry.summary, entry.crop
    state: State = "approved" if summary.get("approved") else "DRAFT"
    if entry.status == "failed":
        state = "failed"
    elif applied:
        state = "applied"
    planned = _day(crop.get("application_date"))
    until = planned or last_day
    product = summary.get("product", {})
    return Due(
        field=label, key=entry.key, field_file=entry.field_file, folder=entry.folder, season=entry.season, state=state,
        problem=entry.problem, remedy=entry.remedy, growth_stage=str(crop.get("growth_stage") or ""),
        sampled_on=_day(crop.get("sampled_on")), application_date=planned, stage_now=stage_now, last_day=last_day,
        days_left=(until - today).days if until else None, units=summary.get("units", "us"),
        acres=summary.get("acres"), total_n_lb=summary.get("total_n_lb"),
        mean_rate_n_lb_ac=summary.get("mean_rate_n_lb_ac"), total_product=summary.get("total_product"),
        product=product.get("name", ""), product_unit=product.get("unit", "lb"), summary_sha256=entry.summary_sha256,
        recorded_at=entry.recorded_at, zones=zones, bounds=entry.ground,
        doubt_sd_lb_ac=summary.get("doubt", {}).get("sd_lb_ac"),
        grower=entry.grower, signed_by=str(entry.signature.get("name") or "") if state != "failed" else "",
        **{name: entry.summary.get("work", {}).get(name) for name in ("loads", "hours", "cost")},
    )  # fmt: skip


def _zones(features: Sequence[dict[str, Any]]) -> Iterator[SeasonZone]:
    """Features of ``prescription.geojson``, in trade units or metric ones."""
    for feature, outline in zip(features, _shapes([one["geometry"] for one in features]), strict=True):
        told = feature["properties"]
        metric = "acres" not in told
        (rate, per_rate), (area, per_area) = (column(name, metric=metric) for name in ("rate_n_lb_ac", "acres"))
        yield SeasonZone(
            outline=outline, zone=told["zone"], rate_n_lb_ac=told[rate] / per_rate, rate_product=told["rate_product"],
            rate_unit=told["rate_unit"], acres=told[area] / per_area,
        )  # fmt: skip


def _shapes(drawn: Sequence[dict[str, Any]]) -> Sequence[shapely.Geometry]:
    """GeoJSON polygons as shapes, all at once: one by one they take most of a season's time."""
    if not drawn:
        return ()
    outlines = [one["coordinates"] if one["type"] == "MultiPolygon" else [one["coordinates"]] for one in drawn]
    polygons = [polygon for outline in outlines for polygon in outline]
    rings = [ring for polygon in polygons for ring in polygon]
    offsets = tuple(
        np.fromiter(accumulate(map(len, level), initial=0), np.int64) for level in (rings, polygons, outlines)
    )
    points = np.array(list(chain.from_iterable(rings)), dtype=float)[:, :2]
    return shapely.from_ragged_array(shapely.GeometryType.MULTIPOLYGON, points, offsets)  # type: ignore[no-any-return]


def _stage_and_last_day(entry: Entry, today: date) -> tuple[str, date | None]:
    """Stage about today, and the day about which V12 is reached, from the stage on the sampling date."""
    stage, sampled = entry.crop.get("growth_stage"), _day(entry.crop.get("sampled_on"))
    if not stage or sampled is None:
        return "", None
    position = float(stage_position(str(stage)))
    if not 0 <= position < 18:
        return stage_name(position), None
    return stage_name(_grown(position, (today - sampled).days)), sampled + timedelta(days=round(_days_to(position)))


def _grown(position: float, days: int) -> float:
    """Collars after some days, never past the tassel."""
    early = max(_LATE - position, 0.0) * _DAYS_PER_COLLAR
    if days <= early:
        return position + max(days, 0) / _DAYS_PER_COLLAR
    return min(max(position, _LATE) + (days - early) / _DAYS_PER_LATE_COLLAR, 18.0)


def _days_to(position: float) -> float:
    """Days from a stage to V12; 0 once it is reached."""
    early = max(_LATE - position, 0.0) * _DAYS_PER_COLLAR
    return early + max(_LAST_STAGE - max(position, _LATE), 0.0) * _DAYS_PER_LATE_COLLAR


def _day(text: object) -> date | None:
    return date.fromisoformat(str(text)) if text else None


def to_order(fields: tuple[Due, ...]) -> tuple[Order, ...]:
    """Product that fields not yet applied will take."""
    sums: dict[tuple[str, Literal["gal", "lb"]], list[float]] = {}
    for item in fields:
        if item.state not in ("approved", "DRAFT"):
            continue
        total = sums.setdefault((item.product, item.product_unit), [0.0, 0.0, 0.0])
        total[0 if item.state == "approved" else 1] += item.total_product or 0.0
        total[2] += 1
    return tuple(
        Order(product=name, unit=unit, approved=total[0], draft=total[1], fields=int(total[2]))
        for (name, unit), total in sorted(sums.items())
    )


def season_results(
    entries: tuple[Entry, ...], came: tuple[Outcome, ...], *, trials: Sequence[PastTrial] = (),
    corn_per_bu: float | None = None, n_per_lb: float | None = None,
) -> tuple[Result, ...]:  # fmt: skip
    """What was applied, strips and trials yielded and stalks held, by field; prices tell the rate that paid best."""
    results = []
    by_field = _by_field(entries, came)
    for trial in trials:
        by_field.setdefault((trial.season, trial.field), (None, []))
    for (season, field), (entry, mine) in sorted(by_field.items(), key=lambda one: one[0]):
        result = Result(
            field=field, season=season, prescribed_n_lb=entry.summary.get("total_n_lb") if entry else None,
            applied_n_lb=_applied_n_lb(mine, entry), stalk_ppm=None, stalk_class="", strips=(),
        )  # fmt: skip
        own = [one for one in trials if (one.season, one.field) == (season, field)]
        if own or any(not item.what.startswith("applied") for item in mine):
            result = _with_harvest(result, mine, _strips_of(entry), own, corn_per_bu, n_per_lb)
        results.append(result)
    return tuple(results)


def _with_harvest(
    result: Result, mine: Sequence[Outcome], lies_in: dict[int, int], trials: Sequence[PastTrial],
    corn_per_bu: float | None, n_per_lb: float | None,
) -> Result:  # fmt: skip
    """A result with what stalks held, and strips and trials yielded; what reads them is loaded here."""
    from vrn.many.outcomes import balance_of, says_alone, stalks_by_zone, strip_responses
    from vrn.response.loss import ANCHOR

    ratio = ANCHOR if corn_per_bu is None or n_per_lb is None else n_per_lb / corn_per_bu
    stalks = tuple(item for item in mine if item.what == "stalk_nitrate_ppm")
    strips = tuple(item for item in mine if item.what == "strip_yield_bu_ac")
    by_zone = stalks_by_zone(stalks)
    return replace(
        result, stalks=by_zone, stalk_ppm=sum(item.value for item in stalks) / len(stalks) if stalks else None,
        stalk_class=", ".join(dict.fromkeys(zone.stalk_class for zone in by_zone)),
        strips=tuple((item.rate_n_lb_ac, item.value) for item in strips),
        responses=strip_responses(strips, lies_in=lies_in, corn_per_bu=corn_per_bu, n_per_lb=n_per_lb),
        trials=tuple(said for one in trials for said in (says_alone(one, price_ratio=ratio), balance_of(one))),
    )  # fmt: skip


def _by_field(
    entries: tuple[Entry, ...], came: tuple[Outcome, ...]
) -> dict[tuple[int, str], tuple[Entry | None, list[Outcome]]]:  # fmt: skip
    """Results by season and name of their field."""
    found: dict[tuple[int, str], tuple[Entry | None, list[Outcome]]] = {}
    labels = _labels_by_season(entries)
    by_key = {(entry.season, key): entry for entry in entries for key in {entry.key, *entry.keys} - {""}}
    by_name = {(entry.season, entry.field): entry for entry in entries}
    for item in came:
        entry = by_key.get((item.season, item.key)) if item.key else by_name.get((item.season, item.field))
        name = labels[id(entry)] if entry else item.field
        found.setdefault((item.season, name), (entry, []))[1].append(item)
    return found


def _labels_by_season(entries: Sequence[Entry]) -> dict[int, str]:
    """`_labels_of` season by season, by the identity of the entry."""
    found: dict[int, str] = {}
    for season in {entry.season for entry in entries}:
        mine = [entry for entry in entries if entry.season == season]
        found |= {id(entry): label for entry, label in zip(mine, _labels_of(mine), strict=True)}
    return found


def _strips_of(entry: Entry | None) -> dict[int, int]:
    """Zone of each check strip → zone that it lies in, as its label says."""
    zones = entry.summary.get("zones", ()) if entry else ()
    found = ((zone["zone"], re.search(r"in zone (\d+)$", zone.get("label", ""))) for zone in zones)
    return {int(number): int(match[1]) for number, match in found if match}


def _applied_n_lb(mine: list[Outcome], entry: Entry | None) -> float | None:
    """Nitrogen applied, given as such or as product; passes add up. [lb N]"""
    nitrogen = [item.value for item in mine if item.what == "applied_n_lb"]
    if nitrogen:
        return sum(nitrogen)
    product = [item.value for item in mine if item.what == "applied_product"]
    if not product or entry is None or not entry.summary.get("total_product"):
        return None
    return float(sum(product) * entry.summary["total_n_lb"] / entry.summary["total_product"])
