"""Products: pounds of nitrogen in a gallon, gallons for a rate, blends, and what is refused."""

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from vrn.errors import InputFileError
from vrn.model.job import JobSection
from vrn.model.settings import BlendPart, MachineSection, ProductSection
from vrn.prescription.products import PRODUCTS, known_product, product_of

Make = Callable[..., Any]


@pytest.mark.parametrize(
    ("name", "rate_lb_ac", "per_ac"),
    [
        ("UAN 28", 40, 13.40), ("UAN 28", 80, 26.80), ("UAN 28", 120, 40.20), ("UAN 28", 150, 50.25),
        ("UAN 32", 100, 28.25), ("Urea", 40, 87.0), ("Urea", 150, 326.1), ("Ammonium sulfate", 80, 381.0),
        ("Anhydrous ammonia", 100, 23.68), ("Ammonium thiosulfate", 100, 75.08),
    ],
)  # fmt: skip
def test_product_for_a_rate(name: str, rate_lb_ac: float, per_ac: float) -> None:
    """Rate ÷ (analysis × density), worked by hand from the densities and analyses the table cites."""
    assert rate_lb_ac / known_product(name).n_lb_per_unit == pytest.approx(per_ac, abs=0.05)


def test_anhydrous_for_a_published_rate() -> None:
    """124 lb N/ac is 151 lb of anhydrous ammonia (Iowa State University, Don't double dip soybean)."""
    ammonia = known_product("nh3")
    assert ammonia.density_lb_gal is not None
    assert 124 / ammonia.n_lb_per_unit * ammonia.density_lb_gal == pytest.approx(151, abs=0.5)


@pytest.mark.parametrize(
    ("product", "pounds"), [("UAN 32", 3.12), ("Anhydrous ammonia", 1.22), ("Urea", 2.17), ("Ammonium sulfate", 4.76)]
)
def test_pounds_of_product_for_a_pound_of_nitrogen(product: str, pounds: float) -> None:
    """As the University of California's table for San Joaquin County prints them."""
    assert 100 / known_product(product).n_pct == pytest.approx(pounds, abs=0.01)


def test_a_blend_of_nine_to_one() -> None:
    """90 : 10 by volume of UAN 28 and thiosulfate: 10.704 lb/gal, 26.34 % N, 2.8195 lb N/gal, worked by hand."""
    blend = product_of(
        ProductSection(blend=(BlendPart(name="UAN 28", share=0.9), BlendPart(name="ammonium thiosulfate", share=0.1)))
    )
    assert blend.density_lb_gal == pytest.approx(10.704)
    assert blend.n_pct == pytest.approx(26.34, abs=0.005)
    assert blend.n_lb_per_unit == pytest.approx(2.8195, abs=5e-5)
    assert blend.name == "90% UAN 28, 10% Ammonium thiosulfate"
    assert len(blend.cautions) == 2


@pytest.mark.parametrize("name", ["UAN 32", "uan-32", "UAN32", "32-0-0", "  uan 32 "])
def test_a_name_is_known_however_it_is_written(name: str) -> None:
    """Case, spaces and hyphens do not matter; the grade is a name too."""
    assert known_product(name).name == "UAN 32"


def test_every_product_says_where_it_comes_from() -> None:
    """Each product has a source, a unit that fits its density, and its nitrogen in a unit."""
    for product in PRODUCTS:
        assert product.source
        assert product.unit == ("lb" if product.density_lb_gal is None else "gal")
        assert 0 < product.n_lb_per_unit < 5
    assert known_product("anhydrous").cautions == ("rates.caution-ammonia",)


@pytest.mark.parametrize(
    ("section", "message"),
    [
        (ProductSection(name="UAN 23"), r"not a known product \(nearest: UAN"),
        (ProductSection(name="Own", n_pct=20.0), "neither a density nor dry = true"),
        (ProductSection(name="Own", n_pct=20.0, density_lb_gal=10.0, dry=True), "both a density and dry"),
        (
            ProductSection(blend=(BlendPart(name="UAN 28", share=0.5), BlendPart(name="UAN 32", share=0.4))),
            "0.9, not 1",
        ),
        (
            ProductSection(blend=(BlendPart(name="UAN 28", share=0.5), BlendPart(name="Urea", share=0.5))),
            "liquid and dry",
        ),
        (
            ProductSection(blend=(BlendPart(name="NH3", share=0.5), BlendPart(name="UAN 28", share=0.5))),
            "anhydrous ammonia, which is not blended",
        ),
    ],
)
def test_products_that_make_no_sense_are_refused(section: ProductSection, message: str) -> None:
    """An error that says what is wrong with the product."""
    with pytest.raises(InputFileError, match=message):
        product_of(section)


def test_an_own_product_is_taken_as_given() -> None:
    """The user's analysis and density are not second-guessed."""
    own = product_of(ProductSection(name="Shop mix", n_pct=24.0, density_lb_gal=10.5))
    assert (own.unit, own.source, own.n_lb_per_unit) == ("gal", "field file", pytest.approx(2.52))
    dry = product_of(ProductSection(name="Blend 30", n_pct=30.0, dry=True))
    assert (dry.unit, dry.n_lb_per_unit) == ("lb", pytest.approx(0.3))


@pytest.mark.parametrize(("analysis", "code"), [
    ({"n_pct": 82.0, "density_lb_gal": 5.15}, "rates.caution-ammonia"),
    ({"n_pct": 20.5, "density_lb_gal": 7.6}, "rates.caution-aqua"),
    ({"n_pct": 28.0, "density_lb_gal": 10.66}, "rates.caution-urea"),
    ({"n_pct": 12.0, "density_lb_gal": 11.1}, "rates.caution-thiosulfate"),
    ({"n_pct": 46.0, "dry": True}, "rates.caution-urea"),
    ({"n_pct": 34.0, "dry": True}, "rates.caution-nitrate"),
])  # fmt: skip
@pytest.mark.parametrize("name", ["Co-op special", "blue tank", "N", "delivery 4711"])
def test_cautions_follow_what_a_product_is(analysis: dict[str, Any], code: str, name: str) -> None:
    """Whatever it is called, the analysis and the density bring its cautions, alone and in a blend."""
    own = product_of(ProductSection(name=name, **analysis))
    assert own.cautions == (code,)
    known = [one for one in PRODUCTS if one.cautions == own.cautions]
    assert known
    if code not in ("rates.caution-ammonia", "rates.caution-aqua"):
        other = BlendPart(name="Ammonium sulfate" if "dry" in analysis else "Ammonium sulfate solution", share=0.5)
        blend = (BlendPart(name=name, share=0.5, **analysis), other)
        assert code in product_of(ProductSection(blend=blend)).cautions


def test_manure_brings_its_own_caution() -> None:
    """A name that says manure is enough: nothing else holds so little nitrogen."""
    section = ProductSection(name="hog slurry", n_pct=0.5, density_lb_gal=8.4)
    assert product_of(section).cautions == ("rates.caution-manure",)


@pytest.mark.parametrize(
    ("product", "machine", "named"),
    [
        ({"name": "Urea"}, {"tank_gal": 800.0}, "machine.tank_gal"),
        ({"name": "Urea"}, {"max_flow_gal_min": 40.0}, "machine.max_flow_gal_min"),
        ({"name": "UAN 32"}, {"tank_lb": 9000.0}, "machine.tank_lb"),
        ({}, {"tank_gal": 800.0}, "machine.tank_gal"),
        ({}, {"tank_lb": 800.0}, "machine.tank_lb"),
    ],
)
def test_a_setting_that_does_nothing_is_refused(
    made: Make, product: dict[str, Any], machine: dict[str, Any], named: str
) -> None:
    """A liquid tank or flow for a dry product, a bin for a liquid, any of them without a product."""
    field = made((100.0,), product=ProductSection(**product), machine=MachineSection(**machine))
    with pytest.raises(InputFileError, match=named):
        field.prescribe()


@pytest.mark.parametrize(("below", "warned"), [("zero", True), ("nearest", False), ("minimum", False)])
def test_ground_left_bare_by_choice_is_told_with_its_pounds(made: Make, below: str, warned: bool) -> None:
    """A need of 25 under a least of 30, set to 0 by the field file: a warning with the zone's acres × 25 lb."""
    machine = MachineSection(min_rate_n_lb_ac=30.0, below_minimum=below)
    found = made((25.0, 100.0), machine=machine).prescribe()
    bare = [finding for finding in found.findings if finding.code == "rates.left-bare"]
    assert len(bare) == warned
    if warned:
        (one,) = bare
        assert (one.level, one.about) == ("warning", "zone 1")
        acres = one.quantities["area"].value
        assert acres == pytest.approx(found.rates[0].acres)
        assert one.quantities["missing"].value == pytest.approx(25.0 * acres, rel=1e-6)


def codes_of(prescription: Any) -> dict[str, str]:
    """Level of each caution by its code."""
    return {finding.code.removeprefix("rates.caution-"): finding.level for finding in prescription.cautions}


@pytest.mark.parametrize(
    ("stage", "rate", "expected"),
    [
        ("V2", 130.0, ("burn-within", "note")), ("V4", 90.0, ("burn-within", "note")),
        ("V4", 95.0, ("burn-over", "warning")), ("V5", 65.0, ("burn-over", "warning")),
        ("V7", 60.0, ("burn-within", "note")), ("V7", 65.0, ("burn-over", "warning")),
        ("V8", 30.0, ("burn-late", "warning")),
    ],
)  # fmt: skip
def test_uan_over_the_leaves_as_iowa_state_prints_it(
    made: Make, stage: str, rate: float, expected: tuple[str, str]
) -> None:
    """90 lb N/ac at V3 to V4, 60 at V7, none later (Iowa State ICM IC-486(9), 2001)."""
    uan = ProductSection(name="UAN 32")
    job = JobSection(placement="broadcast", growth_stage=stage)
    found = codes_of(made((rate,), product=uan, job=job).prescribe())
    assert {code: level for code, level in found.items() if code.startswith("burn")} == {expected[0]: expected[1]}
    for other in ("drops", "injected"):
        found = codes_of(made((rate,), product=uan, job=JobSection(placement=other, growth_stage=stage)).prescribe())
        assert not any(code.startswith("burn") for code in found)


@pytest.mark.parametrize(
    ("product", "job", "there", "not_there"),
    [
        ("UAN 32", None, {"urea", "placement", "runoff"}, {"drops"}),
        ("UAN 32", {"placement": "drops"}, {"urea", "drops", "runoff"}, {"placement"}),
        ("UAN 32", {"placement": "drops", "inhibitor": "urease"}, {"urea-inhibitor"}, {"urea"}),
        ("UAN 32", {"placement": "injected"}, {"inject"}, {"urea", "runoff"}),
        ("Urea", {"placement": "incorporated"}, set(), {"urea", "inject", "runoff"}),
        ("Anhydrous ammonia", {"placement": "injected"}, {"ammonia", "ammonia-soil"}, {"urea"}),
    ],
)
def test_cautions_follow_how_it_is_put_on(
    made: Make, product: str, job: dict[str, Any] | None, there: set[str], not_there: set[str]
) -> None:
    """Urea in the soil does not go into the air, an inhibitor changes what is said, drops ask for hoses in place."""
    section = None if job is None else JobSection(**job)
    found = set(codes_of(made((50.0,), product=ProductSection(name=product), job=section).prescribe()))
    assert there <= found
    assert not found & not_there


@pytest.mark.parametrize("product", ["Anhydrous ammonia", "Aqua ammonia"])
def test_ammonia_on_the_surface_is_refused(made: Make, product: str) -> None:
    """It goes into the soil or nowhere."""
    field = made((50.0,), product=ProductSection(name=product), job=JobSection(placement="broadcast"))
    with pytest.raises(InputFileError, match="ammonia gas"):
        field.prescribe()


@pytest.mark.parametrize("density", [None, 8.34, 9.0])
def test_manure_by_a_thousand_gallons(made: Make, density: float | None) -> None:
    """38 lb N in 1,000 gal: 120 lb N/ac are 120 / 38 × 1,000 = 3,158 gal/ac, whatever a gallon weighs."""
    section = ProductSection(name="Hog manure", n_lb_per_1000_gal=38.0, density_lb_gal=density)
    found = made((120.0,), product=section).prescribe()
    assert found.rates[0].product_per_ac == pytest.approx(120 / 38 * 1000)
    assert (found.rate_unit, found.product.cautions) == ("gal/ac", ("rates.caution-manure",))


@pytest.mark.parametrize("more", [{"n_pct": 0.5}, {"dry": True}])
def test_two_analyses_of_manure_are_refused(more: dict[str, Any]) -> None:
    """One analysis, or the other."""
    with pytest.raises(InputFileError, match="n_lb_per_1000_gal"):
        product_of(ProductSection(name="Hog manure", n_lb_per_1000_gal=38.0, **more))


def test_analyses_are_printed_as_the_trade_prints_them() -> None:
    """29.9935 % is 30, 28 is 28, aqua ammonia 20.5, a manure of 0.4524 % keeps three digits."""
    base = known_product("UAN 28")
    shown = [replace(base, n_pct=n).n_pct_shown for n in (29.9935, 28.0, 20.5, 0.4524)]
    assert shown == [30.0, 28.0, 20.5, 0.452]
