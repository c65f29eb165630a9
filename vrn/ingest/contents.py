"""What a column's header says that the column holds: substance, unit, depth and basis, by the words people write."""

import math
import re
from dataclasses import dataclass
from typing import Final

# substance → the ways it is written, in plain lower-case letters; of two at one place the longer one is meant
_SUBSTANCES: Final = (
    ("nitrite", r"no2( ?n)?|nitrite( ?n| nitrogen)?"),
    ("nitrate and nitrite", r"(no3|nitrate)( ?n)? ?(and|plus|\+|&|/) ?(no2|nitrite)( ?n)?|nox( ?n)?"),
    ("nitrate and ammonium", r"(total )?(mineral|inorganic|plant available|available) n(itrogen)?|n ?min|tin"),
    ("nitrate and ammonium", r"(no3|nitrate)( ?n)? ?(and|plus|\+|&|/) ?(nh4|ammonium)( ?n)?"),
    ("nitrate and ammonium", r"(nh4|ammonium)( ?n)? ?(and|plus|\+|&|/) ?(no3|nitrate)( ?n)?"),
    ("ammonium", r"(n ?)?nh[34]( ?n)?|ammoni(um|a|acal)( ?n| nitrogen)?"),
    ("organic carbon", r"(soil )?org(anic)? ?(c|carb(on)?)|t?oc|soc|c ?org"),
    ("total carbon", r"total (c|carbon)|tc|carbon|c|inorganic (c|carbon)|carbonates?|caco3"),
    ("organic nitrogen", r"org(anic)? n(itrogen)?"),
    ("nitrate as NO3", r"nitrate as no3|no3 as no3|nitrate ion|nitrate no3(?! ?n)"),
    ("NO3-N", r"(nitrate )?no3 ?n|nitrate ?n|nitrate nitrogen|nitric n|n ?no3|n (as|of) nitrate"),
    ("NO3-N", r"(no3|nitrate) as n(itrogen)?|nitrate no3 ?n|nitrate n as no3 ?n|no3 ?n as n"),
    ("NO3", r"no3"),
    ("nitrate", r"nitrat(e|es|o|os)?|snt|lsnt|psnt"),
    ("total nitrogen", r"total (soil )?(n|nitrogen)|tn|n total|n tot"),
    ("Kjeldahl nitrogen", r"tkn|(total )?kjeldahl n(itrogen)?"),
    ("nitrogen", r"n|nitrogen|soil n(itrogen)?"),
    ("organic matter", r"(soil )?org(anic)? ?m(at(ter)?|a)?|som|om|o m|loi|loss on ignition|humus"),
    ("cation exchange capacity", r"cec|cation exchange( capacity)?|base sat(uration)?|exchange capacity"),
    ("electrical conductivity", r"ece?|e c|(electrical )?conduct(ivity)?|eca?|soluble salts?|salts?|salinity|veris"),
    ("pH", r"ph|p h|(soil |water |buffer )ph|bph|phw|lime (index|req(uirement)?)|acidity"),
    ("phosphorus", r"p|p2o5|p ?2 ?o ?5|phosph(orus|ates?|or)?|(bray|olsen|mehlich|m3|p1|p2|bray p1)( ?[123])?( ?p)?"),
    ("potassium", r"k|k2o|potassium|potash|(mehlich|m3|exch(angeable)?) ?k"),
    ("sulfur", r"s|so4( ?s)?|sul(f|ph)(ur|ate)( s)?"),
    ("calcium", r"ca|calcium"),
    ("magnesium", r"mg|magnesium"),
    ("sodium", r"na|sodium|sar|esp"),
    ("chloride", r"cl|chlor(ide)?"),
    ("zinc", r"zn|zinc"),
    ("iron", r"fe|iron"),
    ("manganese", r"mn|manganese"),
    ("copper", r"cu|copper"),
    ("boron", r"b|boron"),
    ("aluminum", r"al|alumini?um"),
    ("water", r"moisture( content)?|(soil )?water( content)?|gravimetric water|h2o|gwc|swc"),
    ("volume of water", r"vwc|volumetric( soil)?( water| moisture)?( content)?|theta"),
    ("texture", r"sand|silt|clay|texture"),
    ("another crop", r"soy ?(beans?)?|beans?|(winter |spring )?wheat|sorghum|milo|oats|barley|alfalfa|cotton|canola"),
    ("grain yield", r"(dry |grain |corn |maize |vr )*(yields?|yld)( vol(ume)?| mass)?"),
    ("nitrogen rate", r"(applied|prescribed|target|actual|recommended|total)( n| nitrogen)( applied| rate)?"),
    ("nitrogen rate", r"n (lbs?|rate|rec(ommendation)?|applied)|nitrogen (rate|applied)|rate n"),
    ("nitrogen rate", r"(applied |target |actual |prescribed |app )?(rate|amount|amt)( applied)? n(itrogen)?"),
    ("rate", r"(applied |target |actual |prescribed |app )?(rate|amount|amt)( applied)?|applied"),
    ("product", r"product|uan( ?\d\d)?|urea|anhydrous|manure|fertilizer|an ?34|amsul|dap|map|starter|volume"),
    ("elevation", r"elev(ation)?|altitude|slope|height"),
    ("temperature", r"temp(erature)?s?"),
    ("plant tissue", r"plants?( tissue)?|tissue|petioles?|leaf|leaves|sap|stalks?"),
    ("water of the field", r"tile|drain(age)?|run ?off|irrigation|stream|groundwater"),
    ("nitrogen to be freed", r"pmn|(potentially )?mineralizable n(itrogen)?|enr|(est(imated)? )?n(itrogen)? release"),
    ("molybdenum", r"mo|molybdenum"),
    ("heavy metals", r"pb|cd|ni|cr|se|lead|cadmium|nickel|chromium|selenium"),
    ("bulk density", r"bulk density|bd"),
    ("a rating", r"ratings?|ranks?|scores?|flags?|qualifiers?"),
    ("a number of the lab", r"(lab|sample|report|serial) (no|nr|num(ber)?|id)"),
    ("depth", r"depths?|thickness"),
    ("a position", r"lon(g|gitude)?|lat(itude)?|easting|northing"),
    ("plant index", r"ndvi|ndre|evi|savi|lai|biomass"),
    ("test weight", r"test (weight|wt)|hectoliter weight"),
    ("a count of plants", r"population|plants|stand( count)?|seeds?( drop)?|seeding( rate)?|emergence"),
    ("a part of the grain", r"protein|oil|starch|gluten"),
    ("residue", r"(crop |surface )?residues?|stover|straw|cover( crop)?|silage"),
    ("humic acid", r"humic( acids?)?|fulvic( acids?)?|active carbon|poxc"),
    ("a price", r"prices?|costs?|revenue|profits?|margin|returns?|income"),
    ("nitrogen of the crop", r"(crop |grain |plant )*n(itrogen)? (uptake|removal|removed|need|demand|requirement)"),
    ("nitrogen of the crop", r"(uptake|removal|need|demand|requirement) n(itrogen)?"),
    ("a balance of nitrogen", r"n(itrogen)? (balance|surplus|loss(es)?|leached|left|residual|credits?|supply)"),
    ("a balance of nitrogen", r"(residual|leached|credit(ed)?) n(itrogen)?"),
)  # fmt: skip
_SHORT: Final = {
    "phosphorus",
    "potassium",
    "sulfur",
    "boron",
    "nitrogen",
    "magnesium",
    "total carbon",
    "rate",
    "water",
    "grain yield",
    "depth",
}
_SPECIES: Final = ("NO3-N", "nitrate as NO3", "NO3")
# unit → the ways it is written
_UNITS: Final = (
    ("mg/L", r"mg ?(/|per )? ?(l|liter|litre)( 1)?|ug ?(/|per )? ?ml( 1)?|ppm in (the )?(extract|solution)"),
    ("a weight in a liquid", r"u?g ?(/|per )? ?(l|liter|litre)( 1)?|mg ?(/|per )? ?ml( 1)?"),
    ("mg/kg", r"mg ?(/|per )? ?kg|mg kg 1|ug ?(/|per )? ?g|ug g 1"),
    ("ppm", r"ppm|parts per million"),
    ("ppb", r"ppb|ug ?(/|per )? ?kg|ug kg 1"),
    ("mg/100g", r"mg ?(/|per )? ?100 ?g"),
    ("kg/ha", r"kgs? ?(/|per )? ?(ha|hectare)( 1)?|kgha"),
    ("lb/ac", r"(lbs?|pounds?|#) ?(/|per )? ?(ac|acre|a)( 1)?|lbs?ac"),
    ("lb/bu", r"lbs?/bu(shel)?"),
    ("kg/hL", r"kg/hl"),
    ("cwt/ac", r"cwt ?(/|per )? ?(ac|acre|a)"),
    ("kg/m²", r"kg ?(/|per )? ?m ?2"),
    ("dt/ha", r"(dt|q|quintals?) ?(/|per )? ?(ha|hectare)( 1)?"),
    ("money", r"(\$|€|usd|dollars?|cents?)( ?(/|per )? ?(ac|acre|a|bu|ha|hectare|lb|ton))?"),
    ("a count", r"(plants?|seeds?|k?ct) ?(/|per )? ?(ac|acre|a|ha|hectare|m2)"),
    ("lb", r"lbs?|pounds|#"),
    ("kg", r"kgs?|kilograms?"),
    ("mg", r"mg(?= *$)"),
    ("g", r"g(rams?)?(?= *$)"),
    ("g/kg", r"g ?(/|per )? ?kg|g kg 1|mg ?(/|per )? ?g|mg g 1|per mille|‰"),
    ("g/100g", r"g ?(/|per )? ?100 ?g"),
    ("g/g", r"g ?(/|per )? ?g|g g 1|kg ?(/|per )? ?kg|kg kg 1|fraction|decimal"),
    ("%", r"%|pct|percent|per cent"),
    ("volume share", r"v ?/ ?v|vol ?%|% ?vol|(m3|cm3) ?/? ?(m3|cm3)|m3 m 3"),
    ("mol", r"[mu]?mol(es?)? ?(/|per )? ?(l|kg|liter|100 ?g)( 1)?"),
    ("meq/100g", r"c?meq ?(/|per )? ?(100 ?g|l|kg)|cmolc? ?(/|per )? ?kg( 1)?"),
    ("dS/m", r"ds ?/? ?m|ms ?/? ?(cm|m)|[mu]?mhos? ?/? ?cm|us ?/? ?cm"),
    ("bu/ac", r"bu(shels?)? ?(/|per )? ?(ac|acre|a)( 1)?|buac|bpa|bushels?"),
    ("t/ha", r"(t|tonnes?|tons?|mg) ?(/|per )? ?(ha|hectare)( 1)?"),
    ("ton/ac", r"(t|tons?) ?(/|per )? ?(ac|acre|a)"),
    ("gal/ac", r"(gal(lons?)?|l|liters?|litres?|oz) ?(/|per )? ?(ac|acre|a|ha|hectare)( 1)?|gpa"),
    ("per 1,000 ft²", r"(lbs?|pounds?) ?(/|per )? ?1 ?,?000 ?(sq ?)?ft2?"),
)  # fmt: skip
_BASES: Final = (
    ("extract", r"extracts?|solution|leachate|slurry|soil water|pore water|lysimeter"),
    (
        "moist",
        r"(field )?moist( soil| basis)?|wet( soil| basis| weight)?(?! (oxid|diges|comb))|as (received|is|sampled)",
    ),
    ("moist", r"fresh( soil| weight| basis)?"),
    ("dry", r"(oven |air )?(dry|dried)( soil| basis| weight| wt)?"),
)
_DEPTH: Final = re.compile(
    r"(?<![A-Za-z\d.:])(\d{1,3}(?:\.\d+)?) ?(?:in|\"|cm|')? ?(-|–|to|_| )+ ?(\d{1,3}(?:\.\d+)?) ?"
    r"(in|inch|inches|\"|cm|ft|feet|m)?(?![A-Za-z\d.])", re.IGNORECASE,
)  # fmt: skip
_THICKNESS: Final = re.compile(
    r"(?<![A-Za-z\d.:–-])(\d{1,3}(?:\.\d+)?)[ -]?(in|inch|inches|\"|cm|ft|foot|feet)(?![A-Za-z\d])"
    r"|(?:per |/|- ?)(foot|ft)(?![A-Za-z\d])", re.IGNORECASE,
)  # fmt: skip
_A_WORD: Final = re.compile(r"[a-z]{3,}")
_UNKNOWN_UNIT: Final = re.compile(
    r"(?<![a-z\d/])(?:[a-z$€]+ ?/|(?:[a-z$€]+ )?per ) ?"
    r"(?:ac|acre|a|ha|hectare|kg|g|l|ml|m2|m3|ft2|bu|ton|t|lb|plot|sample)(?![a-z\d/])"
)
_SAYS_NOTHING: Final = re.compile(  # of what a column holds
    r"nominal|standards?|values?|val|results?|readings?|lab|layer|band|data|(grid)?code|grid|zone|field|level|test|soil|raster|num(ber)?|"
    r"mean|avg|average|median|min|max|sum|std|est(imated?)?|pred(icted)?|krig(ed|ing)?|idw|var|pct|total|the|and|for|per|"
    r"map|points?|samples?|measured|meter|column|corr(ected)?|raw|final|new|year|season|depth|top|bottom|inch(es)?|feet|"
    r"foot|count|area|acres|potential|relative|index|productivity|jan|feb|mar|apr|may|june?|july?|aug|sep|oct|nov|dec"
)
_IN_SHORT: Final = {"inch": "in", "inches": "in", '"': "in", "feet": "ft", "foot": "ft"}
_RATIO: Final = re.compile(r"(?<![\d.])1 ?: ?(\d{1,2}(?:\.\d+)?)(?![\d.])")
_FORMULAS: Final = re.compile(r"(?<![a-z])(no3|nh4|nh3|no2|so4|p2o5|k2o|h2o)(?=[a-z])")
_NUTRIENT: Final = re.compile(
    r"(?<![a-z])(mg|ug|g|lbs?|kgs?|pounds?|#) ?(no3 ?n?|nitrate ?n?|nh4 ?n?|n|c|p|k) ?(/|per )"
)


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
        Top, bottom and their unit, ``""`` where it has none; the top NaN where only a thickness is said, as per 6 in.
    ratio : float or None
        Water to soil of an extract, as 5 for 1:5.
    also : tuple of str
        Other substances and units among its words.
    unknown : tuple of str
        Words of its own that are none of all these, and units that no table has.
    """

    header: str
    substance: str | None = None
    unit: str | None = None
    basis: str | None = None
    depth: tuple[float, float, str] | None = None
    ratio: float | None = None
    also: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()


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
    >>> meaning = read_header("NO3-N (lb/A) 0-24 in")
    >>> meaning.substance, meaning.unit, meaning.depth
    ('NO3-N', 'lb/ac', (0.0, 24.0, 'in'))
    >>> read_header("Org_C_g_kg").substance, read_header("Org_C_g_kg").unit
    ('organic carbon', 'g/kg')
    >>> read_header("NH4-N mg/kg dry").substance, read_header("nitrate_ppm").substance
    ('ammonium', 'nitrate')
    """
    depth, ratio = _depth(header), _RATIO.search(header)
    words = _plain(header)
    units, rest = _taken(words, _UNITS)
    if {"ppm", "mg/kg"} <= set(units):
        units.remove("mg/kg")  # the same of soil by weight
    substances, rest = _taken(rest, _SUBSTANCES)
    bases, rest = _taken(rest, _BASES)
    longer = [name for name in substances if name not in _SHORT]  # a letter beside a name is no second substance
    substances = longer or substances
    if any(name in _SPECIES for name in substances):  # beside one of them "nitrate" says nothing more
        substances = [name for name in substances if name != "nitrate"]
    return HeaderMeaning(
        header=header, substance=substances[0] if substances else None, unit=units[0] if units else None,
        basis=bases[0] if bases else None, depth=depth, ratio=float(ratio[1]) if ratio is not None else None,
        also=(*substances[1:], *units[1:]), unknown=tuple(dict.fromkeys(_UNKNOWN_UNIT.findall(rest)))
        or (() if substances else tuple(one for one in _A_WORD.findall(rest) if _SAYS_NOTHING.fullmatch(one) is None)),
    )  # fmt: skip


def _plain(header: str) -> str:
    """Lower-case words with one space between them: ``NO3N_ppm`` and ``Nitrate-N (ppm)`` alike."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z][a-z])|(?<=[a-z]{2})(?=[A-Z])", " ", header.strip())  # OrganicMatter, NitrateN
    plain = spaced.translate(_LETTERS).lower()
    plain = re.sub(r"(?<![a-z])mg[ _]?[(\[]", "mg of ", plain)  # Mg (kg) is no mg/kg
    plain = re.sub(r"[\s_\-–—:;,()\[\]{}\"'.^*|=]+", " ", plain).replace("%", " % ")
    plain = _FORMULAS.sub(r"\1 ", " ".join(plain.split()))
    plain = re.sub(r"(?<=[a-z\d])(ppm|ppb|pct)(?![a-z])", r" \1", plain)
    return " ".join(_NUTRIENT.sub(r"\2 \1/", plain).split())


_LETTERS: Final = str.maketrans(
    {"₃": "3", "₄": "4", "₂": "2", "₅": "5", "⁻": " ", "¹": "1", "µ": "u", "μ": "u", "·": " ", "−": "-"}
)


def _taken(words: str, table: tuple[tuple[str, str], ...]) -> tuple[list[str], str]:
    """Every entry of a table among the words, in their order, the longer before the shorter; the words without them."""
    found: list[tuple[int, str]] = []
    while True:
        spans = [
            (hit.start() - hit.end(), order, hit, name)
            for order, (name, pattern) in enumerate(table)
            for hit in re.finditer(rf"(?<![a-z0-9/])(?:{pattern})(?![a-z0-9/])", words)
            if hit.group()
        ]
        if not spans:
            return list(dict.fromkeys(name for _, name in sorted(found))), " ".join(words.replace("\0", " ").split())
        _, _, hit, name = min(spans, key=lambda one: one[:2])
        found.append((hit.start(), name))
        words = words[: hit.start()] + "\0" * (hit.end() - hit.start()) + words[hit.end() :]


def _depth(header: str) -> tuple[float, float, str] | None:
    for found in _DEPTH.finditer(header):
        top, bottom, unit = float(found[1]), float(found[3]), (found[4] or "").lower()
        if top < bottom <= 250 and (unit or found[2] != " "):
            return top, bottom, _IN_SHORT.get(unit, unit)
    thick = _THICKNESS.search(header)
    if thick is None:
        return None
    unit = (thick[2] or thick[3]).lower()
    return math.nan, float(thick[1] or 1.0), _IN_SHORT.get(unit, unit)
