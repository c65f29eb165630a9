"""What a column's header says that the column holds: substance, unit, depth and basis, by the words people write."""

import re
from dataclasses import dataclass
from typing import Final

# substance → the ways it is written, in plain lower-case letters; the longer and more particular ones first
_SUBSTANCES: Final = (
    ("nitrite", r"no2 ?n?|nitrite( ?n| nitrogen)?"),
    ("nitrate and ammonium", r"(mineral|inorganic|available|plant available) n(itrogen)?|n ?min"),
    ("nitrate and ammonium", r"(no3|nitrate)( ?n)? ?(and|plus|\+|&) ?(nh4|ammonium)( ?n)?"),
    ("ammonium", r"nh4 ?n?|nh3 ?n?|ammoni(um|a|acal)( ?n| nitrogen)?"),
    ("organic carbon", r"(soil )?organic (c|carbon)|org c|t?oc|soc|total (c|carbon)|carbon|oc"),
    ("organic nitrogen", r"organic n(itrogen)?|org n"),
    ("nitrate as NO3", r"nitrate as no3|no3 as no3|nitrate ion|nitrate no3(?! ?n)"),
    ("NO3-N", r"(nitrate )?no3 ?n|nitrate ?n|nitrate nitrogen|n ?no3|n (as|of) nitrate|(nitrate|no3) as n"),
    ("nitrate", r"no3|nitrates?|nitrat|snt|lsnt|psnt"),
    ("total nitrogen", r"total (soil )?(n|nitrogen)|tkn|kjeldahl n(itrogen)?|tn|n total"),
    ("organic matter", r"(soil )?organic matter|som|om|loi|loss on ignition|humus"),
    ("cation exchange capacity", r"cec|cation exchange( capacity)?|base saturation|base sat"),
    ("electrical conductivity", r"ece?|electrical conductivity|conductivity|eca?|soluble salts?|salts?|salinity|veris"),
    ("pH", r"ph|buffer ph|soil ph|bph|water ph|lime index"),
    ("phosphorus", r"p|p2o5|phosph(orus|ate)s?|bray( ?p?1?)?|olsen( p)?|mehlich ?3? p|mehlich p|m3 ?p|p1|p2"),
    ("potassium", r"k|k2o|potassium|potash|m3 ?k|mehlich k"),
    ("sulfur", r"s|so4( ?s)?|sul(f|ph)(ur|ate)( s)?"),
    ("calcium", r"ca|calcium"),
    ("magnesium", r"mg(?! ?kg)|magnesium"),
    ("sodium", r"na|sodium|sar|esp"),
    ("chloride", r"cl|chloride"),
    ("zinc", r"zn|zinc"),
    ("iron", r"fe|iron"),
    ("manganese", r"mn|manganese"),
    ("copper", r"cu|copper"),
    ("boron", r"b|boron"),
    ("water", r"moisture|(?<!soil )(?<!pore )water( content)?|gravimetric water|h2o"),
    ("texture", r"sand|silt|clay|texture"),
    ("grain yield", r"(dry |wet |grain |corn |vr )?yields?( volume| mass)?|yld( vol| mass)?"),
    ("nitrogen rate", r"(applied|prescribed|target|actual|recommended) (n|rate|nitrogen)|n rate|n rec(ommendation)?"),
)  # fmt: skip
# unit → the ways it is written
_UNITS: Final = (
    ("mg/L", r"mg ?(/|per )? ?(l|liter|litre)|mg l 1"),
    ("mg/kg", r"mg ?(/|per )? ?kg|mg kg 1|ug ?/? ?g|µg ?/? ?g"),
    ("ppm", r"ppm"),
    ("ppb", r"ppb"),
    ("kg/ha", r"kgs? ?(n ?)?(/|per )? ?(ha|hectare)|kg ha 1|kgha"),
    ("lb/ac", r"(lbs?|pounds?|#) ?(n ?)?(/|per )? ?(ac|acre|a)|lbs?ac|lb a"),
    ("lb", r"lbs?|pounds"),
    ("g/kg", r"g ?(/|per )? ?kg|g kg 1"),
    ("g/100g", r"g ?/? ?100 ?g"),
    ("%", r"%|pct|percent|per cent"),
    ("mmol/L", r"m?mol ?/? ?l"),
    ("meq/100g", r"c?meq ?/? ?100 ?g|cmolc? ?/? ?kg"),
    ("dS/m", r"ds ?/? ?m|ms ?/? ?(cm|m)|mmhos? ?/? ?cm"),
    ("bu/ac", r"bu(shels?)? ?(/|per )? ?(ac|acre|a)|buac"),
    ("t/ha", r"(t|tonnes?|mg) ?(/|per )? ?(ha|hectare)|t ha 1"),
)  # fmt: skip
_BASES: Final = (
    ("extract", r"extract|solution|leachate|slurry|soil water|pore water"),
    ("moist", r"moist( soil| basis)?|wet( soil| basis)?|field moist|as (received|is)|fresh( soil| weight)?"),
    ("dry", r"dry( soil| basis| weight)?|oven dry|air dry"),
)
_DEPTH: Final = re.compile(
    r"(?<![\d.])(\d{1,3}(?:\.\d+)?) ?(?:-|–|to| |_) ?(\d{1,3}(?:\.\d+)?) ?(in|inch|inches|\"|cm|ft|feet|m)?(?![\d.])",
    re.IGNORECASE,
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class HeaderMeaning:
    """
    What a header says; None where it is silent.

    Parameters
    ----------
    header : str
        As it is written.
    substance : str or None
        As ``"NO3-N"``, ``"nitrate"`` (which of the two is not said), ``"ammonium"``, ``"organic matter"``.
    unit : str or None
        As ``"ppm"``, ``"mg/L"``, ``"lb/ac"``, ``"%"``, ``"g/kg"``.
    basis : {"dry", "moist", "extract"} or None
    depth : (float, float, str) or None
        Top, bottom and their unit, ``""`` where it has none.
    """

    header: str
    substance: str | None = None
    unit: str | None = None
    basis: str | None = None
    depth: tuple[float, float, str] | None = None


def read_header(header: str) -> HeaderMeaning:
    """
    What the words of a header say.

    Parameters
    ----------
    header : str
        As ``"NO3-N (lb/A) 0-24 in"``.

    Returns
    -------
    meaning : HeaderMeaning

    Examples
    --------
    >>> read_header("NO3-N (lb/A) 0-24 in")
    HeaderMeaning(header='NO3-N (lb/A) 0-24 in', substance='NO3-N', unit='lb/ac', basis=None, depth=(0.0, 24.0, 'in'))
    >>> read_header("Org_C_g_kg").substance, read_header("Org_C_g_kg").unit
    ('organic carbon', 'g/kg')
    >>> read_header("NH4-N mg/kg dry").substance, read_header("nitrate_ppm").substance
    ('ammonium', 'nitrate')
    """
    depth = _depth(header)
    words = _plain(header)
    unit, rest = _taken(words, _UNITS)
    substance, rest = _taken(rest, _SUBSTANCES, first=True)
    basis, _ = _taken(rest, _BASES)
    return HeaderMeaning(header=header, substance=substance, unit=unit, basis=basis, depth=depth)


def _plain(header: str) -> str:
    """Lower-case words with one space between them: ``NO3N_ppm`` and ``Nitrate-N (ppm)`` alike."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z][a-z])|(?<=[a-z]{2})(?=[A-Z])", " ", header.strip())  # OrganicMatter, NitrateN
    spaced = spaced.replace("₃", "3").replace("₄", "4").replace("⁻", "").replace("µ", "u")
    return re.sub(r"[\s_\-–:;,()\[\]{}\"'.]+", " ", spaced.lower()).strip()


def _taken(words: str, table: tuple[tuple[str, str], ...], *, first: bool = False) -> tuple[str | None, str]:
    """The longest entry of a table among the words (of those that begin first, if asked), and the words without it."""
    spans = [
        ((found.start() if first else 0, found.start() - found.end(), order), name, found)
        for order, (name, pattern) in enumerate(table)
        for found in re.finditer(rf"(?<![a-z0-9%])(?:{pattern})(?![a-z0-9])", words)
    ]
    if not spans:
        return None, words
    _, name, found = min(spans, key=lambda one: one[0])
    return name, f"{words[: found.start()]} {words[found.end() :]}".strip()


def _depth(header: str) -> tuple[float, float, str] | None:
    for found in _DEPTH.finditer(header):
        top, bottom, unit = float(found[1]), float(found[2]), (found[3] or "").lower()
        if top < bottom <= 250:
            return top, bottom, {"inch": "in", "inches": "in", '"': "in", "feet": "ft"}.get(unit, unit)
    return None
