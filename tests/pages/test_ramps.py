"""The ramps: order and distance stay for colour-blind eyes and in grey; edges and words are seen on any of them."""

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from vrn.pages.field_drawing import EDGES, INK, PAPER
from vrn.pages.field_maps import rate_drawing
from vrn.pages.page_parts import page_asset
from vrn.pages.ramps import CROP, DOUBT, LEAST_SPAN_N_LB_AC, NEED, NITROGEN, SOIL, Ramp, rate_colors
from vrn.prescription.model import Prescription
from vrn.words import UnitFormat

RAMPS = pytest.mark.parametrize("ramp", [NITROGEN, NEED, SOIL, CROP, DOUBT], ids=lambda ramp: ramp.name)

# Machado, Oliveira and Fernandes (2009), "A physiologically-based model for simulation of color vision deficiency",
# IEEE TVCG 15(6): matrices of severity 1.0, for linear RGB
SEEN_BY = {
    "everyone": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
    "grey": np.full((3, 1), 1.0) * np.array([0.2126, 0.7152, 0.0722]),  # luminance, IEC 61966-2-1
}
Floats = NDArray[np.float64]


def _linear(colors: list[str]) -> Floats:
    """From sRGB to linear light, IEC 61966-2-1."""
    srgb = np.array([[int(color[i : i + 2], 16) for i in (1, 3, 5)] for color in colors]) / 255
    return np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)


def _lab(linear: Floats) -> Floats:
    """CIELAB under D65."""
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    xyz = np.clip(linear, 0, 1) @ to_xyz.T / np.array([0.9505, 1.0, 1.089])
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.column_stack([116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])])


def _delta_e(one: Floats, other: Floats) -> float:
    """CIEDE2000 colour difference (Sharma, Wu and Dalal 2005)."""
    l1, a1, b1 = one
    l2, a2, b2 = other
    c7 = ((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2) ** 7
    g = 0.5 * (1 - np.sqrt(c7 / (c7 + 25.0**7)))
    a1, a2 = a1 * (1 + g), a2 * (1 + g)
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = np.degrees(np.arctan2(b1, a1)) % 360, np.degrees(np.arctan2(b2, a2)) % 360
    turn = 0.0 if c1 * c2 == 0 else (h2 - h1 + 180) % 360 - 180
    dl, dc, dh = l2 - l1, c2 - c1, 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn / 2))
    lm, cm = (l1 + l2) / 2, (c1 + c2) / 2
    hm = h1 + h2 if c1 * c2 == 0 else (h1 + turn / 2) % 360
    t = (
        1 - 0.17 * np.cos(np.radians(hm - 30)) + 0.24 * np.cos(np.radians(2 * hm))
        + 0.32 * np.cos(np.radians(3 * hm + 6)) - 0.20 * np.cos(np.radians(4 * hm - 63))
    )  # fmt: skip
    sl = 1 + 0.015 * (lm - 50) ** 2 / np.sqrt(20 + (lm - 50) ** 2)
    sc, sh = 1 + 0.045 * cm, 1 + 0.015 * cm * t
    rt = -2 * np.sqrt(cm**7 / (cm**7 + 25.0**7)) * np.sin(np.radians(60 * np.exp(-(((hm - 275) / 25) ** 2))))
    return float(np.sqrt((dl / sl) ** 2 + (dc / sc) ** 2 + (dh / sh) ** 2 + rt * (dc / sc) * (dh / sh)))


def _least_step(colors: list[str], seen: Floats) -> float:
    lab = _lab(_linear(colors) @ seen.T)
    return min(_delta_e(lab[i], lab[i + 1]) for i in range(len(lab) - 1))


@pytest.mark.parametrize(
    ("one", "other", "published"),
    [
        ((50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485), 2.0425),
        ((50.0, 2.5, 0.0), (73.0, 25.0, -18.0), 27.1492),
        ((50.0, 2.5, 0.0), (61.0, -5.0, 29.0), 22.8977),
        ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
    ],
)
def test_the_ruler_is_right(one: tuple[float, ...], other: tuple[float, ...], published: float) -> None:
    """The colour difference used below gives pairs 1, 17, 18 and 25 of Sharma, Wu and Dalal (2005), table 1."""
    assert _delta_e(np.array(one), np.array(other)) == pytest.approx(published, abs=5e-5)


@RAMPS
@pytest.mark.parametrize("eyes", SEEN_BY)
def test_neighbours_stay_apart(ramp: Ramp, eyes: str) -> None:
    """With five classes and with eight, the least step is at least 0.9 of viridis's or cividis's least step."""
    import matplotlib as mpl
    from matplotlib.colors import to_hex

    for count in (5, 8):
        ours = _least_step(list(ramp.classes(count)), SEEN_BY[eyes])
        known = [
            _least_step([to_hex(mpl.colormaps[name](x)) for x in np.linspace(0, 1, count)], SEEN_BY[eyes])
            for name in ("viridis", "cividis")
        ]
        assert ours >= 0.9 * min(known)


@RAMPS
@pytest.mark.parametrize("eyes", SEEN_BY)
def test_dark_is_more(ramp: Ramp, eyes: str) -> None:
    """Lightness falls at every one of 254 steps but where rounding to 8 bits holds it, and by 50 in all."""
    colors = ["#" + bytes(rgb.tolist()).hex() for rgb in ramp.colors(np.linspace(0, 1, 254))]
    lightness = _lab(_linear(colors) @ SEEN_BY[eyes].T)[:, 0]
    assert np.diff(lightness).max() < 0.3
    assert lightness[0] - lightness[-1] > 50


@RAMPS
def test_classes_use_both_ends(ramp: Ramp) -> None:
    """Any number of classes is as many different colours; one class takes the middle."""
    for count in range(1, 13):
        assert len(set(ramp.classes(count))) == count
    assert ramp.classes(2) == (ramp.stops[0], ramp.stops[-1])
    assert ramp.classes(1) == (ramp.stops[4],)
    assert ramp.classes(0) == ()


def _contrast(one: str, other: str) -> float:
    """Contrast of two colours, 1 to 21 (WCAG 2.2, relative luminance)."""
    low, high = sorted((_linear([one, other]) @ SEEN_BY["grey"][0]).tolist())
    return float((high + 0.05) / (low + 0.05))


def test_contrast_by_hand() -> None:
    """White on black is 21; #777777 on white 4.48 (both in WCAG's own texts)."""
    assert _contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert _contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


@RAMPS
def test_an_edge_is_seen_on_every_color_of_a_map(ramp: Ramp) -> None:
    """Of the two lines of an edge one has a contrast of 3 or more to any color that may lie on either side of it."""
    for color in (*ramp.classes(254), "#7fa8b8", "#24424f"):
        assert max(_contrast(str(edge.line), color) for edge in EDGES) >= 3.0


def test_edges_are_drawn_in_pairs(make: Callable[..., Prescription]) -> None:
    """Each zone's outline comes in every line of an edge, the wider one first, over all fills."""
    made = make()
    looks = [look for shape, look in rate_drawing(made, UnitFormat(metric=False)).shapes
             if any(shape is rate.outline for rate in made.rates)]  # fmt: skip
    count = len(made.rates)
    assert [bool(look.fill) for look in looks] == [True] * count + [False] * 2 * count
    assert looks[count:] == [EDGES[0]] * count + [EDGES[1]] * count
    assert EDGES[0].width_pt > 2 * EDGES[1].width_pt
    assert re.search(rf'ink = "{INK}", paper = "{PAPER}"', page_asset("map.js"))  # the same two on the screen


@pytest.mark.parametrize("name", ["map.css", "season.css", "report.css", "field.css"])
def test_edges_and_words_are_seen_on_the_paper(name: str) -> None:
    """On each scheme's paper one line of an edge has a contrast of 3, lines of signs too, and words of 4.5."""
    schemes = re.findall(r":root \{([^}]*--paper[^}]*)\}", page_asset(name))
    assert len(schemes) >= 2
    full = {"#fff": "#ffffff", "#000": "#000000", "#333": "#333333", "#999": "#999999"}
    for scheme in schemes:
        colors = {key: full.get(color, color) for key, color in re.findall(r"--(\w+): (#\w+)", scheme)}
        assert max(_contrast(str(edge.line), colors["paper"]) for edge in EDGES) >= 3.0
        for key in {"ink", "quiet", "mark", "stop"} & set(colors):
            assert _contrast(colors[key], colors["paper"]) >= 4.5


@pytest.mark.parametrize("apart", [5.0, 20.0, 40.0, 90.0])
def test_a_small_step_of_rate_is_a_small_step_of_colour(make: Callable[..., Prescription], apart: float) -> None:
    """Two rates lie as far apart on the ramp as their pounds are of its span; only 40 lb or more take both ends."""
    two = [replace(rate, rate_n_lb_ac=90.0 + apart * at) for at, rate in enumerate(make().rates[:2])]
    share = apart / max(apart, LEAST_SPAN_N_LB_AC)
    wanted = NITROGEN.colors([0.5 - share / 2, 0.5 + share / 2]).tolist()
    assert [rate_colors(two)[rate.zone] for rate in two] == [f"#{r:02x}{g:02x}{b:02x}" for r, g, b in wanted]
