"""A prescription made by hand: simple ground whose acres and rates can be worked out on paper."""

import dataclasses
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from vrn.findings import Quantity
from vrn.model.field import Field
from vrn.model.grid import geodesic_acres, grid_over, projected_crs, share_inside, transformer
from vrn.model.samples import SoilSamples
from vrn.model.settings import Crop, ExportSection, FieldSection, LimitSection, MachineSection, SampleSection, Settings
from vrn.model.surface import Surface, SurfaceChoice
from vrn.model.variogram import Variogram
from vrn.nitrogen.ledger import Ledger, Line
from vrn.prescription.model import Change, Prescription, Product, ZoneRate
from vrn.zones.model import ZoneChoice, Zones

STEP = {"step": Quantity("rate", 5.0)}
UAN = Product(name="UAN 32", n_pct=32.0, density_lb_gal=11.06, unit="gal", source="made for a test")
UREA = Product(name="Urea 46-0-0", n_pct=46.0, density_lb_gal=None, unit="lb", source="made for a test")

# a field of 400 × 300 m in three zones; metres east and north of its south-west corner
QUARTERS = (
    shapely.box(0, 0, 200, 300),
    shapely.box(200, 0, 400, 100),
    shapely.box(200, 100, 400, 300),
)


def make_prescription(
    zones: Sequence[shapely.Geometry] = QUARTERS,
    *,
    rates_n_lb_ac: Sequence[float] | None = None,
    place: tuple[float, float] = (-94.6, 42.3),
    no_apply: shapely.Geometry | None = None,
    product: Product = UAN,
    rate_basis: str = "product",
    name: str = "Test Forty",
    units: str = "us",
    export: dict[str, Any] | None = None,
    cell_m: float = 5.0,
    edge_buffer_ft: float = 0.0,
    crs: str | None = None,
    settings: dict[str, Any] | None = None,
) -> Prescription:
    """Prescription of zones given in metres from a place; the boundary is their union with the no-apply ground."""
    crs = crs or projected_crs(*place)
    east, north = transformer("EPSG:4326", crs).transform(*place)
    moved = [shapely.transform(zone, lambda xy: xy + np.array([east, north])) for zone in zones]
    moved = [zone if zone.is_valid else shapely.make_valid(zone, method="structure") for zone in moved]
    ditch = shapely.Polygon() if no_apply is None else no_apply
    kept_off = shapely.transform(ditch, lambda xy: xy + np.array([east, north]))
    boundary = shapely.union_all([*moved, kept_off])
    rates = list(rates_n_lb_ac) if rates_n_lb_ac is not None else [60.0 + 35.0 * i for i in range(len(moved))]
    grid = grid_over(boundary, crs=crs, cell_m=cell_m)
    shares = np.stack([np.full(grid.shape, 1e-12), *(share_inside(grid, zone) for zone in moved)])
    labels = np.argmax(shares, axis=0).astype(np.int32)  # the zone with most of the cell
    full = Settings(
        units=units,  # type: ignore[arg-type]
        header=FieldSection(name=name, season=2026, boundary="boundary.geojson", edge_buffer_ft=edge_buffer_ft),
        crop=Crop(yield_goal_bu_ac=200.0, growth_stage="V7", application_date=date(2026, 6, 16)),
        samples=SampleSection(file="samples.csv"),
        machine=MachineSection(max_rate_n_lb_ac=250.0),
        limits=LimitSection(max_n_lb_ac=250.0),
        export=ExportSection(**(export or {})),
    )
    full = dataclasses.replace(full, **(settings or {}))
    n = 6
    middles = np.array([[zone.representative_point().x, zone.representative_point().y] for zone in moved])
    places = middles[np.arange(n) % len(middles)] + np.arange(n)[:, None]
    samples = SoilSamples(
        sample_id=tuple(f"S{i + 1}" for i in range(n)), crs=crs, coordinates_m=places, top_in=np.zeros(n),
        bottom_in=np.full(n, 12.0), nitrate_ppm=np.linspace(6.0, 20.0, n), kind=("field",) * n,
        sampled_on=(date(2026, 6, 8),) * n, nominal_ppm=np.full(n, np.nan), below_detection=np.zeros(n, dtype=bool),
        area_id=("",) * n, areas={}, row=np.arange(2, n + 2),
    )  # fmt: skip
    field = Field(
        settings=full, folder=Path("field"), crs=crs, boundary=boundary, no_apply=kept_off, samples=samples,
        inputs={"boundary.geojson": "0" * 64, "field.toml": "1" * 64},
    )  # fmt: skip
    made = []
    for number, (zone, rate) in enumerate(zip(moved, rates, strict=True), start=1):
        per_ac = rate / product.n_lb_per_unit
        crop = Line(label="Crop", lb_ac=rate + 40.0, basis="by hand", source="made for a test", key="crop")
        soil = Line(label="Soil", lb_ac=-40.25, basis="by hand", source="made for a test", key="soil_nitrate")
        made.append(ZoneRate(
            zone=number, outline=zone, acres=geodesic_acres(zone, crs), parts=len(shapely.get_parts(zone)),
            rate_n_lb_ac=rate, rate_product=rate if rate_basis == "n" else per_ac, product_per_ac=per_ac,
            need_lb_ac=max(0.0, rate - 0.25), need_se_lb_ac=4.0, nitrate_ppm=20.0 - number,
            organic_matter_pct=float("nan"),
            yield_goal_bu_ac=200.0, ledger=Ledger(lines=(crop, soil), method="remaining-need"),
            changes=(
                Change(zone=number, cause="step", from_n_lb_ac=rate - 0.25, to_n_lb_ac=rate, quantities=STEP),
            ),
        ))  # fmt: skip
    nitrate = Surface(
        name="nitrate_ppm", grid=grid, values=20.0 - labels.astype(float), se=np.full(grid.shape, 1.5),
        chosen="averaged kriging",
        choice=SurfaceChoice(
            loo_rmse=1.7, mean_rmse=2.9,
            variogram=Variogram(model="spherical", nugget=0.5, partial_sill=6.0, range_m=180.0),
        ),
    )  # fmt: skip
    need = Surface(name="need_lb_ac", grid=grid, values=np.array([np.nan, *rates])[labels], chosen="by hand")
    acres = sum(rate.acres for rate in made)
    return Prescription(
        field=field, grid=grid, share=share_inside(grid, shapely.union_all(moved)),
        surfaces={"nitrate_ppm": nitrate, "need_lb_ac": need},
        ledger=Ledger(lines=made[0].ledger.lines, method="remaining-need"),
        zones=Zones(labels=labels, outlines=tuple(moved),
                    choice=(ZoneChoice(zones=1, misallocated_lb_ac=20.0), ZoneChoice(zones=3, misallocated_lb_ac=4.0))),
        rates=tuple(made), product=product, rate_basis=rate_basis,
        rate_unit="lb N/ac" if rate_basis == "n" else f"{product.unit}/ac", acres=acres, flat_rate_n_lb_ac=95.0,
        total_n_lb=sum(rate.rate_n_lb_ac * rate.acres for rate in made),
        total_product=sum(rate.product_per_ac * rate.acres for rate in made),
    )  # fmt: skip


@pytest.fixture(scope="session")
def make() -> Callable[..., Prescription]:
    """The maker itself, for tests that vary the ground."""
    return make_prescription


@pytest.fixture
def made() -> Prescription:
    """Three zones of 400 × 300 m at 60, 95 and 130 lb N/ac of UAN 32."""
    return make_prescription()
