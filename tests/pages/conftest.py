"""A small prescription made by hand: three zones, a waterway, five places with cores."""

from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from vrn.findings import Quantity, note, warning
from vrn.model.field import Field
from vrn.model.grid import geodesic_acres, grid_over, reproject, share_inside
from vrn.model.samples import SoilSamples
from vrn.model.settings import (
    Crop,
    FieldSection,
    LimitSection,
    MachineSection,
    ReviewSection,
    SampleSection,
    Settings,
)
from vrn.model.surface import Surface, SurfaceChoice
from vrn.model.variogram import Candidate
from vrn.nitrogen import method
from vrn.nitrogen.field_need import MethodResult
from vrn.nitrogen.ledger import Ledger, Line
from vrn.prescription.drive import DriveReport, Spilled
from vrn.prescription.model import Change, Prescription, Product, ZoneRate
from vrn.zones.model import ZoneChoice, Zones, ZonesReport

DRIVE = DriveReport(
    heading_deg=0.0, passes=33, speed_mph=8.0, swath_ft=60.0, sections=1, look_ahead_s=2.0, rate_change_s=2.0,
    within_share=0.97, prescribed_n_lb=6400.0, applied_n_lb=6390.0, spilled=Spilled(), zones=(),
)  # fmt: skip
NOT_SAMPLED = note("nitrogen.depth-not-sampled", "samples", top=Quantity("depth", 12.0), bottom=Quantity("depth", 24.0))
METHODS = (
    MethodResult(method=method("remaining-need"), status="applies", need_lb_ac=100.0,
                 by_zone={1: 70.0, 2: 100.0, 3: 130.0}),
    MethodResult(method=method("iowa-lsnt"), status="outside", need_lb_ac=56.0, by_zone={1: 24.0, 2: 56.0, 3: 88.0},
                 reasons=(note("methods.outside-stage", "nitrogen.method", first="V4", last="V6", stage="V8"),)),
    MethodResult(method=method("ohio-psnt"), status="missing", need_lb_ac=None,
                 reasons=(note("methods.needs-base-rate", "nitrogen.method"),)),
)  # fmt: skip

CRS = "EPSG:32615"


def small_prescription(
    *,
    name: str = "Small Field",
    units: str = "us",
    review: ReviewSection | None = None,
    sample_ids: tuple[str, ...] = (),
) -> Prescription:
    """Three zones side by side on 600 × 400 m, with ledgers that a reader can add on paper."""
    west, south = (
        float(v) for v in shapely.get_coordinates(reproject(shapely.Point(-94.62, 42.31), "EPSG:4326", CRS))[0]
    )
    boundary = shapely.box(west, south, west + 600, south + 400)
    no_apply = shapely.box(west + 280, south, west + 300, south + 400)
    treated = shapely.difference(boundary, no_apply)
    grid = grid_over(boundary, crs=CRS, cell_m=10.0)
    share = share_inside(grid, treated)
    east = np.broadcast_to(grid.eastings_m() - west, grid.shape)
    labels = np.where(share > 0, 1 + (east > 200) + (east > 400), 0).astype(np.int32)
    nitrate = 24.0 - east / 50
    settings = Settings(
        units=units, header=FieldSection(name=name, season=2026, boundary="boundary.geojson"),
        crop=Crop(yield_goal_bu_ac=210.0, growth_stage="V8", application_date=date(2026, 6, 18)),
        samples=SampleSection(file="samples.csv"),
        machine=MachineSection(min_rate_n_lb_ac=30.0, max_rate_n_lb_ac=180.0),
        limits=LimitSection(max_n_lb_ac=200.0), review=review or ReviewSection(),
    )  # fmt: skip
    places = np.add([[60, 80], [150, 300], [250, 200], [450, 120], [550, 320]], [west, south])
    n = len(places)
    samples = SoilSamples(
        sample_id=sample_ids or tuple(f"S{i + 1}" for i in range(n)), crs=CRS, coordinates_m=places,
        top_in=np.zeros(n), bottom_in=np.full(n, 12.0), nitrate_ppm=24.0 - (places[:, 0] - west) / 50,
        kind=("field",) * n, sampled_on=(date(2026, 6, 12),) * n, nominal_ppm=np.full(n, np.nan),
        below_detection=np.zeros(n, bool), area_id=("",) * n, areas={}, row=np.arange(2, n + 2),
    )  # fmt: skip
    field = Field(settings=settings, folder=Path(), crs=CRS, boundary=boundary, no_apply=no_apply, samples=samples,
                  inputs={"samples.csv": "0" * 64})  # fmt: skip
    tried = (Candidate(name="mean", rmse=3.9, mean_error=0.0, msdr=None, skill=0.0),
             Candidate(name="averaged kriging", rmse=1.4, mean_error=0.1, msdr=1.1, skill=0.87))  # fmt: skip
    choice = SurfaceChoice(candidates=tried, loo_rmse=1.4, mean_rmse=3.9)
    surfaces = {
        "nitrate_ppm": Surface(name="nitrate_ppm", grid=grid, values=nitrate, se=0.5 + 0.002 * east,
                               chosen="averaged kriging", choice=choice),
        "organic_matter_pct": Surface(name="organic_matter_pct", grid=grid, values=np.full(grid.shape, 2.8),
                                      chosen="constant"),
        "yield_goal_bu_ac": Surface(name="yield_goal_bu_ac", grid=grid, values=200.0 + east / 30, chosen="raster"),
    }  # fmt: skip
    product = Product(name="UAN 32", n_pct=32.0, density_lb_gal=11.06, unit="gal", source="made for a test",
                      cautions=("rates.caution-urea",))  # fmt: skip
    rates, lines_by_zone = [], []
    for zone, (soil, need_rate) in enumerate(((-80.4, 90.0), (-60.4, 110.0), (-42.4, 130.0)), start=1):
        zone_m = shapely.intersection(
            treated, shapely.box(west + 200 * (zone - 1), south, west + 200 * zone, south + 400)
        )
        outline = shapely.multipolygons(shapely.get_parts(zone_m))
        ledger = Ledger(
            method="remaining-need", findings=(NOT_SAMPLED,),
            lines=(
                _line("crop", "Crop, from V8 on", 198.4, "210 bu/ac × 1.1 lb × 0.86"),
                _line("soil", "Nitrate in the soil, 0–12 in", soil, "ppm × 12 in × 0.3"),
                _line("om", "Still to mineralize", -29.4, "2.8 % × 20 lb × 0.53"),
            ),
        )  # fmt: skip
        need = float(ledger.need_lb_ac)
        lines_by_zone.append(ledger)
        rates.append(ZoneRate(
            zone=zone, outline=outline, acres=geodesic_acres(outline, CRS), parts=len(shapely.get_parts(outline)),
            rate_n_lb_ac=need_rate, rate_product=need_rate / product.n_lb_per_unit,
            product_per_ac=need_rate / product.n_lb_per_unit, need_lb_ac=need, need_se_lb_ac=7.0,
            nitrate_ppm=24.0 - zone * 4 + 2, organic_matter_pct=2.8, yield_goal_bu_ac=210.0, ledger=ledger,
            allowed_n_lb_ac=(30.0, 180.0),
            changes=(
                Change(
                    zone=zone, cause="step", from_n_lb_ac=need, to_n_lb_ac=need_rate,
                    quantities={"step": Quantity("rate", 5.0)},
                ),
            ),
        ))  # fmt: skip
    need_grid = np.choose(np.maximum(labels, 1) - 1, [rate.need_lb_ac for rate in rates])
    surfaces["need_lb_ac"] = Surface(name="need_lb_ac", grid=grid, values=need_grid + 0.01 * east, chosen="ledger")
    acres = sum(rate.acres for rate in rates)
    return Prescription(
        field=field, grid=grid, share=share, surfaces=surfaces, ledger=lines_by_zone[0],
        zones=Zones(labels=labels, outlines=tuple(rate.outline for rate in rates),
                    choice=tuple(ZoneChoice(zones=k, misallocated_lb_ac=20.0 / k) for k in range(1, 9)),
                    report=ZonesReport(by="need", reason="little-saved", drawn=3, next_saving_lb_ac=0.1,
                                       least_saving_lb_ac=2.0)),
        rates=tuple(rates), product=product, rate_basis="product", rate_unit="gal/ac", acres=acres,
        drive=DRIVE, methods=METHODS, flat_rate_n_lb_ac=110.0,
        total_n_lb=sum(rate.rate_n_lb_ac * rate.acres for rate in rates),
        total_product=sum(rate.product_per_ac * rate.acres for rate in rates),
        findings=(
            warning("ingest.moisture-basis-missing", "samples.moisture_basis"),
            note("rates.draft", "review"),
        ),
    )  # fmt: skip


def _line(key: str, label: str, lb_ac: float, basis: str) -> Line:
    return Line(label=label, lb_ac=lb_ac, basis=basis, source="Handbook", key=key)


@pytest.fixture
def prescription() -> Prescription:
    """The small prescription in the trade's units."""
    return small_prescription()


@pytest.fixture
def make() -> Any:
    """Maker of the small prescription, for one that differs in a name, a unit, a signature."""
    return small_prescription
