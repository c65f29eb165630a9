"""Whether a column's header fits its role: taken as it is, converted with certainty and told, or refused."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final, Literal

from vrn.findings import Quantity
from vrn.ingest.contents import HeaderMeaning, read_header
from vrn.ingest.input_files import InputFiles, Source
from vrn.ingest.table import CellTable
from vrn.model.settings import SampleSection
from vrn.units import BU_AC_T_HA, CORN_BU_LB, IN_OF, LB_AC_KG_HA

Role = Literal["organic_matter", "relative", "bu_ac", "t_ha", "applied_n", "water_pct"]

CARBON_TO_MATTER: Final = (
    1.724  # organic matter holds 58 % carbon: van Bemmelen 1890, a convention and not a measurement
)
_TOP_SOIL_IN: Final = 13.0  # a foot, rounded up in any unit; deeper soil holds less organic matter
_T_HA: Final = 1.0 / BU_AC_T_HA
_YIELD: Final = {
    "bu/ac": 1.0, "t/ha": _T_HA, "kg/ha": _T_HA / 1000.0, "dt/ha": _T_HA / 10.0, "kg/m²": _T_HA * 10.0,
    "lb/ac": 1.0 / CORN_BU_LB, "cwt/ac": 100.0 / CORN_BU_LB,
}  # fmt: skip
# role → unit of its header → factor to the role's own unit
_UNITS: Final[dict[str, dict[str, float]]] = {
    "nitrate_ppm": {"ppm": 1.0, "mg/kg": 1.0, "ppb": 1e-3, "mg/100g": 10.0, "g/kg": 1e3, "g/100g": 1e4},
    "nominal_ppm": {"ppm": 1.0, "mg/kg": 1.0, "mg/L": 1.0, "ppb": 1e-3},
    "organic_matter": {"%": 1.0, "g/100g": 1.0, "g/kg": 0.1, "g/g": 100.0, "mg/kg": 1e-4, "ppm": 1e-4},
    "water_pct": {"%": 1.0, "g/100g": 1.0, "g/kg": 0.1, "g/g": 100.0},
    "relative": {"%": 0.01, "g/g": 1.0},
    "bu_ac": _YIELD,
    "t_ha": _YIELD,
    "applied_n": {"lb/ac": 1.0, "kg/ha": 1.0 / LB_AC_KG_HA},
}  # fmt: skip
# role → substances of its header that fit it
_SUBSTANCES: Final[dict[str, tuple[str, ...]]] = {
    "nitrate_ppm": ("NO3-N", "nitrate as NO3", "NO3", "nitrate", "nitrogen"),
    "nominal_ppm": ("NO3-N", "nitrate as NO3", "NO3", "nitrate", "nitrogen"),
    "organic_matter": ("organic matter", "organic carbon"),
    "water_pct": ("water",),
    "relative": ("grain yield", "another crop", "plant index"),
    "bu_ac": ("grain yield",),
    "t_ha": ("grain yield",),
    "applied_n": ("nitrogen", "nitrogen rate", "total nitrogen", "rate"),
}  # fmt: skip
# role → what it is in words, its unit for a reader of trade units and of metric ones
_WANTED: Final = {
    "nitrate_ppm": ("nitrate of the soil", "ppm", "mg/kg"),
    "nominal_ppm": ("the nitrate of a check standard", "ppm", "mg/kg"),
    "organic_matter": ("organic matter", "%", "%"),
    "water_pct": ("water as a percent of the dry soil", "%", "%"),
    "relative": ("relative yield with a mean of 1", "parts of the mean", "parts of the mean"),
    "bu_ac": ("corn yield", "bu/ac", "bu/ac"),
    "t_ha": ("corn yield", "t/ha", "t/ha"),
    "applied_n": ("nitrogen already applied", "lb N/ac", "kg N/ha"),
}  # fmt: skip
SAYING: Final = (
    "unit", "units", "uom", "unit of measure", "unit of measurement", "result unit", "result units", "measure", "test",
    "analyte", "analysis", "test name", "parameter", "species", "compound", "nutrient", "element", "form", "basis",
    "reported as", "sample basis", "matrix", "medium", "material", "sample type",
)  # fmt: skip
_SAID_AS: Final[Mapping[str | None, Literal["NO3-N", "NO3"]]] = {"NO3-N": "NO3-N", "nitrate as NO3": "NO3"}


@dataclass(frozen=True, slots=True, kw_only=True)
class NitrateColumn:
    """
    How a column of nitrate is read.

    Parameters
    ----------
    factor : float
        From its values to ppm; to lb/ac where it is one of pounds or kilograms on an area.
    per_area : bool
        Whether it is, so that the depth of each core and the bulk density are needed.
    reported_as : {"NO3-N", "NO3"} or None
        By the field file, else by the header.
    moisture_basis : {"dry", "moist"} or None
        The same.
    depth : (float, float, str) or None
        Of every core, where the header says one.
    header : str
    substance : str or None
        What the header names.
    """

    factor: float
    per_area: bool
    reported_as: Literal["NO3-N", "NO3"] | None
    moisture_basis: Literal["dry", "moist"] | None
    depth: tuple[float, float, str] | None
    header: str
    substance: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Gate:
    """
    The gate before the columns of one file.

    Parameters
    ----------
    files : InputFiles
    source : Source
    section : str
        Table of the field file that takes ``accept``; empty where none does.
    accept : str or None
        Why its doubtful columns are right, in a person's words.
    """

    files: InputFiles
    source: Source
    section: str
    accept: str | None

    def refuse(self, seen: str, remedy: str) -> None:
        """
        Refuse what was seen; where a person has accepted it, tell that and go on.

        Raises
        ------
        InputFileError
            If nobody has accepted it.
        """
        if self.accept is None:
            way_out = (
                f' If it is right as it stands, say why: accept = "…" in [{self.section}].' if self.section else ""
            )
            self.source.refuse(f"{seen}.", remedy + way_out)
        self.files.warn("ingest.accepted", self.source, seen=seen, reason=self.accept)

    def said(self, table: CellTable, taken: Iterable[str], *, least: int = 1) -> str:
        """
        What columns of units and substances, as laboratories have them, say of every row in so many letters at least.

        Raises
        ------
        InputFileError
            If one says two things, and nobody has accepted it.
        """
        words, others = [], {*taken}
        for name in SAYING:
            column = table.find(name)
            if column is None or column in others:
                continue
            said = list(dict.fromkeys(cell.strip() for cell in table.column(column) if cell.strip()))
            if any(len(one) < least for one in said):
                continue
            meant = [read_header(one) for one in said]
            if len({(one.substance, one.unit, one.basis) for one in meant}) > 1:
                self.refuse(
                    f"the column {column} says {' and '.join(said[:4])}", "Keep the rows of one kind and one unit."
                )
            elif said:
                words.append(said[0])
        return " ".join(words)

    def nitrate(
        self, header: str, settings: SampleSection, *, said: str = "", role: str = "nitrate_ppm"
    ) -> NitrateColumn:
        """
        How the column of readings, or of what standards should read, is taken.

        Parameters
        ----------
        header : str
        settings : SampleSection
        said : str
            What a column of units or of substances says of every row.
        role : {"nitrate_ppm", "nominal_ppm"}

        Returns
        -------
        column : NitrateColumn

        Raises
        ------
        InputFileError
            If the header says anything else than nitrate, or contradicts the field file.
        """
        meaning = read_header(f"{header} {said}".strip())
        self._one_meaning(meaning, role)
        self._substance(meaning, role)
        self._substance(read_header(said), role)
        reported = self._reported(meaning, settings)
        basis = settings.moisture_basis
        if meaning.basis in ("dry", "moist"):
            if basis not in (None, meaning.basis):
                self.refuse(
                    f'the header "{meaning.header}" says {meaning.basis} soil, and moisture_basis is "{basis}"',
                    "Correct the one that is wrong.",
                )
            else:
                basis = "dry" if meaning.basis == "dry" else "moist"
        per_area = role == "nitrate_ppm" and meaning.unit in ("lb/ac", "kg/ha")
        if per_area:
            factor = 1.0 if meaning.unit == "lb/ac" else 1.0 / LB_AC_KG_HA
            if basis == "moist":
                self.refuse(
                    f'the header "{header}" gives an amount on an area, and the readings are of moist soil',
                    "Give readings in ppm, or the amount of dry soil.",
                )
        elif role == "nitrate_ppm" and (
            meaning.unit == "mg/L" or (meaning.basis == "extract" and meaning.unit in (None, "ppm", "ppb"))
        ):
            factor = self._extract(meaning, basis)
        else:
            factor = self._factor(meaning, role)
        return NitrateColumn(
            factor=factor, per_area=per_area, reported_as=reported, moisture_basis=basis, depth=meaning.depth,
            header=header, substance=meaning.substance,
        )  # fmt: skip

    def factor(self, header: str, role: Role, *, default: float = 1.0) -> float:
        """
        What the values of a column are multiplied by to be in the trade's unit of their role.

        Parameters
        ----------
        header : str
        role : str
        default : float
            Factor where the header says no unit.

        Returns
        -------
        factor : float

        Raises
        ------
        InputFileError
            If the header says what the role is not.
        """
        meaning = read_header(header)
        self._one_meaning(meaning, role)
        self._substance(meaning, role)
        if meaning.basis == "extract":
            self.refuse(
                f'the header "{header}" says an extract, and {_WANTED[role][0]} is needed', "Name another column."
            )
        if role == "organic_matter" and (deep := meaning.depth) and deep[1] * IN_OF[deep[2] or "in"] > _TOP_SOIL_IN:
            topsoil = Quantity("depth", 12.0)
            self.files.warn("ingest.organic-matter-of-deep-cores", self.source, column=header, topsoil=topsoil)
        if meaning.basis == "moist" and role in ("bu_ac", "t_ha"):
            self.files.warn("ingest.yield-of-wet-grain", self.source, column=header)
        factor = self._factor(meaning, role, default=default)
        if meaning.substance == "organic carbon" and role == "organic_matter":
            self.files.note(
                "ingest.carbon-converted", self.source, column=header, factor=Quantity("number", CARBON_TO_MATTER)
            )
            factor *= CARBON_TO_MATTER
        return factor

    def _one_meaning(self, meaning: HeaderMeaning, role: str) -> None:
        if meaning.unknown and role != "relative":
            words = ", ".join(meaning.unknown[:4])
            self.files.warn("ingest.header-unknown", self.source, column=meaning.header, words=words)
        if meaning.also:
            said = " and ".join(word for word in (meaning.substance, meaning.unit, *meaning.also) if word is not None)
            self.refuse(
                f'the header "{meaning.header}" says {said}, and one thing in one unit is needed',
                f"Write what the column holds in its header: {_WANTED[role][0]}.",
            )

    def _substance(self, meaning: HeaderMeaning, role: str) -> None:
        if meaning.substance is None:
            return
        if meaning.substance not in _SUBSTANCES[role]:
            self.refuse(
                f'the header "{meaning.header}" says {meaning.substance}, and {_WANTED[role][0]} is needed',
                f"Name the column that holds {_WANTED[role][0]}.",
            )
        elif meaning.substance == "nitrogen" and role == "nitrate_ppm":
            self.files.warn("ingest.header-says-nitrogen", self.source, column=meaning.header)
        elif meaning.substance == "rate":
            self.files.warn("ingest.header-says-rate", self.source, column=meaning.header)

    def _reported(self, meaning: HeaderMeaning, settings: SampleSection) -> Literal["NO3-N", "NO3"] | None:
        """NO3-N or NO3 by the field file and the header together."""
        given, said = settings.reported_as, _SAID_AS.get(meaning.substance)
        if given is not None and said not in (None, given):
            self.refuse(
                f'the header "{meaning.header}" says {said}, and reported_as is "{given}"',
                "Look at the lab sheet, and correct the one that is wrong.",
            )
        elif given == "NO3-N" and meaning.substance == "NO3":
            self.files.warn("ingest.header-says-no3", self.source, column=meaning.header)
        return given or said

    def _extract(self, meaning: HeaderMeaning, basis: str | None) -> float:
        """Readings in ppm of soil from 1 mg/L of an extract of dry soil: the liters to a kilogram."""
        if meaning.unit == "mg/L" and meaning.ratio is not None and basis == "dry":
            self._note_conversion(meaning, "nitrate_ppm", meaning.ratio)
            return meaning.ratio
        self.refuse(
            f'the header "{meaning.header}" says a liquid ({meaning.unit or "an extract"}), and dry soil is needed',
            "Give readings by weight of soil, or write the ratio of an extract of dry soil in the header, as 1:5.",
        )
        return 1.0

    def _factor(self, meaning: HeaderMeaning, role: str, *, default: float = 1.0) -> float:
        if meaning.unit is None:
            return default
        factor = _UNITS[role].get(meaning.unit)
        if factor is None:
            what, trade, metric = _WANTED[role]
            unit = metric if self.files.metric else trade
            cut = (
                meaning.unit == "mg" and len(meaning.header) == 10
            )  # a shapefile keeps ten letters of mg_kg and of mg_l
            if cut and role == "nitrate_ppm":
                self.files.warn("ingest.header-cut", self.source, column=meaning.header)
            else:
                self.refuse(
                    f'the header "{meaning.header}" says {meaning.unit}, and {what} in {unit} is needed',
                    f"Give the values in {unit}, and write the unit in the header.",
                )
            return default
        if factor != default:
            self._note_conversion(meaning, role, factor / default)
        return factor

    def _note_conversion(self, meaning: HeaderMeaning, role: str, factor: float) -> None:
        self.files.note(
            "ingest.unit-converted", self.source, column=meaning.header, seen=meaning.unit or "an extract",
            wanted=_WANTED[role][2 if self.files.metric else 1], factor=Quantity("number", factor),
        )  # fmt: skip
