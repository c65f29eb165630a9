"""Late-spring (pre-sidedress) nitrate tests of the top foot, calibrated on corn 6 to 12 inches tall."""

from typing import Final

from vrn.nitrogen.method import Example, Input, Method, Values, Working, line_of

_INDEXES: Final = "the test already indexes what the soil will mineralize and what the previous crop left"


def _iowa_rule(values: Values) -> Working:
    source = "Iowa State University Extension CROP 3140 (2017), before it PM 1714"
    wanted = line_of(
        values, key="critical", label="Nitrogen a soil at the critical value holds", lb_ac=values["critical_ppm"] * 8.0,
        basis="{critical_ppm} ppm × 8 lb/ac per ppm", source=source,
    )  # fmt: skip
    held = line_of(
        values, key="soil_nitrate", label="Nitrate in the top foot", lb_ac=-8.0 * values["nitrate_ppm"],
        basis="{nitrate_ppm} ppm × 8 lb/ac per ppm", source=source,
    )  # fmt: skip
    return Working(lines=(wanted, held))


IOWA_LSNT: Final = Method(
    key="iowa-lsnt",
    title="Iowa late-spring soil nitrate test",
    formula="(critical ppm − ppm) × 8",
    region="Iowa",
    source="Iowa State University Extension CROP 3140 (2017), before it PM 1714; as quoted by the farm press",
    factor="8 lb/ac of fertilizer per ppm in the top foot",
    contains=_INDEXES,
    kind="sidedress",
    stages=("V4", "V6"),
    bottom_in=(12.0, 12.0),
    inputs=(
        Input(name="nitrate_ppm", meaning="NO3-N, 0–12 in", low=0, high=1000, required=True),
        Input(name="critical_ppm", meaning="25; 20–22 after a spring with over 20 % more rain than usual; 11–15 after "
              "alfalfa or manure", low=0, high=60, calibrated=(10, 30), default=25.0),
    ),
    example=Example(
        inputs={"nitrate_ppm": 10, "critical_ppm": 21},
        need_lb_ac=88.0,
        source="Iowa State numbers in Farm Progress, 21 June 2004: (21 − 10) × 8 = 88 lb/ac",
    ),
    cautions=(
        "Not expected to work on sandy soils (University of Nebraska).",
        "Not to be used past the stage it was calibrated for (Iowa State, ICM, 22 June 2018).",
        "Not to be used after a full broadcast rate before planting, or where bands were not sampled across.",
    ),
    rule=_iowa_rule,
)  # fmt: skip
