"""What the files of a new field settle, and what they leave open: tables of the field file, and questions."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import shapely
from numpy.typing import NDArray

from vrn.errors import InputFileError
from vrn.findings import Finding, note, warning
from vrn.ingest.depth import unit_of_depth
from vrn.ingest.field_file import settings_from
from vrn.ingest.input_files import InputFiles
from vrn.ingest.look import Look, Role, areas_of, points_of
from vrn.ingest.new_field import Section, toml_text
from vrn.ingest.read import read_all
from vrn.ingest.which_outline import inside, label_column, named
from vrn.model.field import Field

_YIELD, _MATTER = "layers.yield_potential", "layers.organic_matter"
_SHOWN: Final = {"bu_ac": "bu/ac", "t_ha": "t/ha", "relative": "parts of their mean"}
_OPTIONAL: Final = (_MATTER, _YIELD, "layers.applied_n", "weather")
_OWN_QUESTIONS: Final = {"ingest.stage-missing", "ingest.organic-matter-missing", "ingest.stage-estimated"}
_USUAL_MATTER_PCT: Final = 3.0  # of corn ground in the Midwest: common practice, no source
_IN_FIELD: Final = 0.75  # share of the readings within an outline that makes it the likely one


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """What only a person knows, where it was said: goal (bu/ac, or t/ha), stage, organic matter [%], product."""

    yield_goal: float | None = None
    stage: str | None = None
    organic_matter_pct: float | None = None
    product: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """Something to settle: what is asked, the table and line of the field file, and whether a build waits for it."""

    finding: Finding
    section: str
    line: str
    needed: bool


class Settling:
    """
    The tables of a field file in the making.

    Parameters
    ----------
    looks : list of Look
    copies : dict of str to Path
        Files by their names in the new folder.
    season : int
    metric : bool
    given : Given

    ``sections`` are the tables, ``questions`` what is left, ``notes`` what was assumed, ``form`` the name of the
    samples form that the folder gets, empty where there are samples.
    """

    def __init__(
        self, looks: list[Look], copies: dict[str, Path], *, name: str, season: int, metric: bool, given: Given
    ) -> None:
        self.looks, self.copies, self.season, self.metric, self.given = looks, copies, season, metric, given
        self.sections = {"field": Section(keys={"name": name, "season": season})}
        self.questions: list[Question] = []
        self.notes: list[Finding] = []
        self.form = ""
        self._boundary = ""  # for the checks: the one that is settled, else the likely one
        self._outline()
        self._samples()
        self._crop()
        self._layers()
        self._ground()
        if self._boundary:
            self._check()
        self._unused()

    def _of(self, role: Role) -> list[Look]:
        return [look for look in self.looks if look.role == role]

    def _ask(
        self, code: str, section: str, line: dict[str, object], /, *, needed: bool = False, **quantities: str | int
    ) -> None:
        """A question, and the line that settles it as a remark in the field file."""
        text = ", ".join(f"{key} = {toml_text(value)}" for key, value in line.items())
        table = f"[[{section}]]" if section == "field.no_apply" else f"[{section}]"
        shown = f"{text}    # in {table}" if text else ""
        finding = warning(code, section or quantities.get("file", ""), **quantities, line=shown)
        self.questions.append(Question(finding=finding, section=section, line=text, needed=needed))

    def _settle(self, section: str, /, **keys: object) -> None:
        before = self.sections.get(section, Section())
        self.sections[section] = replace(before, keys={**before.keys, **keys})

    def _leave_open(self, section: str, line: dict[str, object]) -> None:
        before = self.sections.get(section, Section())
        self.sections[section] = replace(before, open={**before.open, **line})

    def _unsettle(self, section: str) -> None:
        self.sections[section] = Section(open=self.sections[section].keys)

    def _outline(self) -> None:
        """The boundary; of several, the one in which the readings lie is asked about."""
        found = self._of("boundary")
        if not found:
            self._ask("start.no-outline", "field", {"boundary": "boundary.geojson"}, needed=True)
            return
        if len(found) > 1:
            found = self._without_inner(found)
        if len(found) > 1:
            shares = [self._inside(look).max(initial=0.0) for look in found]
            likely = found[int(np.argmax(shares))].name
            line: dict[str, object] = {"boundary": likely}
            self._ask("start.outlines", "field", line, needed=True, files=", ".join(look.name for look in found))
            self._leave_open("field", line)
            self._boundary = likely if max(shares) >= _IN_FIELD else ""
            return
        self._boundary = found[0].name
        if self._several():
            self._which_field(found[0])
        else:
            self._settle("field", boundary=found[0].name)

    def _without_inner(self, found: list[Look]) -> list[Look]:
        """The one outline in which all others lie, which are then ground to leave out; all where there is none."""
        areas = [shapely.union_all(areas_of(look)) for look in found]
        for at, outer in enumerate(areas):
            if all(inside(area, outer) for area in areas if area is not outer):
                inner = [look for look in found if look is not found[at]]
                self.looks = [replace(look, role="ground") if look in inner else look for look in self.looks]
                return [found[at]]
        return found

    def _several(self) -> bool:
        """Whether the reader of outlines sees more than one field."""
        try:
            self._read({}, sampled=False)
        except InputFileError as error:
            return "outlines" in error.problem
        return False

    def _which_field(self, look: Look) -> None:
        assert look.features is not None
        table, shares = look.features.table, self._inside(look)
        label, at = label_column(table), int(np.argmax(shares))
        name = table.column(label)[at] if label is not None else str(at + 1)
        line: dict[str, object] = {"boundary": f"{look.name}#{name}"}
        if shares[at] >= _IN_FIELD:
            self._ask(
                "start.several-fields", "field", line, needed=True, file=look.name, fields=named(table), field=name
            )
        else:
            self._ask("start.several-fields-open", "field", line, needed=True, file=look.name, fields=named(table))
        self._leave_open("field", line)
        self._boundary = f"{look.name}#{name}" if shares[at] >= _IN_FIELD else ""

    def _inside(self, look: Look) -> NDArray[np.float64]:
        """Share of the readings within each outline of a file, shape (n,); 0 where nothing is known."""
        places = [points_of(one) for one in self._of("samples")]
        xy = np.concatenate(places) if places else np.empty((0, 2))
        return np.array([float(np.mean(shapely.contains_xy(area, xy))) if len(xy) else 0.0 for area in areas_of(look)])

    def _samples(self) -> None:
        """The samples file with its columns, and what its headers leave open."""
        found = [look for look in self._of("samples") if look.samples is not None and look.samples.filled]
        found = found or self._of("samples")
        if not found:
            self.form = "samples_form.csv" if "samples.csv" in self.copies else "samples.csv"
            self._settle("samples", file=self.form)
            self._ask("start.no-samples", "samples", {"file": self.form}, needed=True)
            return
        look, line = found[0], {"file": found[0].name}
        if len(found) > 1:
            self._ask(
                "start.several-samples", "samples", {**line}, needed=True, files=", ".join(one.name for one in found)
            )
            self._leave_open("samples", {**line})
            return
        self._settle("samples", **line)
        said, columns = look.samples, dict(look.columns)
        assert said is not None
        for key, value in (("reported_as", said.nitrate.reported_as), ("moisture_basis", said.nitrate.moisture_basis)):
            if value is not None:
                self._settle("samples", **{key: value})
        if said.rivals:
            pick: dict[str, object] = {"nitrate_ppm": columns.pop("nitrate_ppm", said.rivals[0])}
            self._leave_open("samples.columns", pick)
            self._ask("start.several-columns", "samples.columns", pick, needed=True, file=look.name,
                      columns=", ".join(said.rivals))  # fmt: skip
        elif not said.depths:
            self._ask("start.no-depth", "samples", {"depth": ""}, needed=True, file=look.name)
            self._leave_open("samples", {"depth": ""})
        for areas in self._of("areas"):
            if "area_id" in columns and areas.columns:
                self._settle("samples.areas", file=areas.name, **areas.columns)
        if columns:
            self._settle("samples.columns", **columns)
        self._depth_unit(look)
        if not said.filled:
            self._ask("start.form-empty", "samples", {**line}, needed=True, file=look.name)
        if not said.placed:
            self._ask("start.no-places", "samples.columns", {"longitude": "…"}, needed=True, file=look.name)

    def _depth_unit(self, look: Look) -> None:
        """Ask about depths whose unit no header says."""
        columns = look.columns
        for unit, other in (("in", "cm"), ("cm", "in")):
            ends = [columns[end] for end in (f"top_{unit}", f"bottom_{unit}") if end in columns]
            if len(ends) == 2 and not any(unit_of_depth(name) for name in ends):
                self._ask("start.depth-unit", "samples.columns", {f"bottom_{other}": ends[1]}, file=look.name,
                          top=ends[0], bottom=ends[1], unit=unit)  # fmt: skip

    def _crop(self) -> None:
        """What only a person knows."""
        said, goal = self.given, "yield_goal_t_ha" if self.metric else "yield_goal_bu_ac"
        for code, section, key, value, blank in (
            ("start.yield-goal", "crop", goal, said.yield_goal, 0),
            ("start.stage", "crop", "growth_stage", said.stage, ""),
            ("start.product", "product", "name", said.product, ""),
        ):
            if value is not None:
                self._settle(section, **{key: value})
                continue
            self._ask(code, section, {key: blank}, needed=section == "crop")
            if section == "product":
                self._leave_open(section, {key: blank})

    def _layers(self) -> None:
        """Every other file in its table; of two for one place neither, until a person says which."""
        logs, matter = [look.name for look in self._of("yield_log")], self.given.organic_matter_pct
        if logs:
            self._settle(_YIELD, kind="yield_log", **({"files": logs} if len(logs) > 1 else {"file": logs[0]}))
        else:
            self._one("yield_potential", _YIELD)
        if matter is not None:
            self._settle(_MATTER, value_pct=matter)
        elif self._of("organic_matter"):
            self._one("organic_matter", _MATTER)
        else:
            self._settle(_MATTER, value_pct=_USUAL_MATTER_PCT, assumed=True)
        self._one("applied_n", "layers.applied_n")
        self._one("weather", "weather")
        for trial in self._of("trial"):
            self._settle("nitrogen", response_trial=trial.name, response_columns=trial.columns)

    def _ground(self) -> None:
        """Shapes without values as ground that gets nothing, until a person says otherwise; lines need a distance."""
        found = self._of("ground")
        if not found:
            return
        first, *others = ({"file": look.name} for look in found)
        self.sections["field.no_apply"] = Section(keys={**first}, again=tuple({**one} for one in others))
        setback: dict[str, object] = {"setback_m" if self.metric else "setback_ft": 0}
        for look in found:
            code = "start.ground" if areas_of(look) else "start.ground-spots"
            self._ask(code, "field.no_apply", setback, needed=not areas_of(look), file=look.name)

    def _one(self, role: Role, section: str) -> None:
        """The only file of a role; of a laboratory's sheet and a map of its own, the map."""
        readings = {look.name for look in self._of("samples")}
        found = [look for look in self._of(role) if look.name not in readings] or self._of(role)
        if not found:
            return
        line: dict[str, object] = {"file": found[0].name, **found[0].columns}
        if len(found) > 1:
            names = ", ".join(look.name for look in found)
            self._ask("start.several-files", section, {"file": found[0].name}, files=names)
            self._leave_open(section, line)
        elif found[0].rivals:
            columns = ", ".join(found[0].rivals)
            self._ask(
                "start.several-columns", section, {"column": found[0].rivals[0]}, file=found[0].name, columns=columns
            )
            self._leave_open(section, line)
        else:
            self._settle(section, **line)

    def _check(self) -> None:
        """Read everything as a build would; what the readers refuse or ask becomes a question."""
        blocked = any(one.needed and one.section.startswith("samples") for one in self.questions)
        self._system()
        tables = self._tables("samples", "samples.columns", "samples.areas")
        if tables.get("samples", {}).get("depth") == "":
            tables["samples"]["depth"] = "0-12 in"  # for this check alone
        try:
            self._take(self._read(tables))
        except InputFileError as error:
            section = "field" if "(field." in error.problem else "samples"
            if not blocked or section == "field":
                self._ask("start.refused", section, {}, needed=True, problem=error.problem, remedy=error.remedy)
        for section in _OPTIONAL:
            if not self.sections.get(section, Section()).keys:
                continue
            if section == _YIELD:
                self._yield_kind()
            try:
                self._take(self._read(self._tables(section), sampled=False))
            except InputFileError as error:
                line = {key: value for key, value in self.sections[section].keys.items() if key == "file"}
                needed = section == _MATTER  # the usual budget does not go without it
                self._ask("start.refused", section, line, needed=needed, problem=error.problem, remedy=error.remedy)
                self._unsettle(section)

    def _system(self) -> None:
        """Places in meters of a table: the field's own system, where they lie in the field by it."""
        for section in ("samples", *_OPTIONAL):
            name = self.sections.get(section, Section()).keys.get("file")
            look = next((one for one in self.looks if one.name == name and one.features is None), None)
            xy = points_of(look) if look is not None else np.empty((0, 2))
            if look is None or not len(xy) or np.abs(xy).max() <= 180:
                continue
            try:
                field = self._read({}, sampled=False)
            except InputFileError:
                return
            if np.mean(shapely.contains_xy(field.boundary, xy)) >= _IN_FIELD:
                self._settle(section, crs=field.crs)
                self.notes.append(note("start.system-found", f"{section}.crs", file=look.name, system=field.crs))

    def _yield_kind(self) -> None:
        """What yields are: by the unit of their header, else the only kind that their range allows."""
        look, keys = (self._of("yield_log") or self._of("yield_potential"))[0], self.sections[_YIELD].keys
        log, column = keys.get("kind") == "yield_log", look.columns.get("column")
        if look.unit is not None and not log:
            self._settle(_YIELD, kind="t_ha" if look.unit == "t/ha" else "relative" if look.unit == "%" else "bu_ac")
        if look.unit is not None or (log and column is None):
            return
        tries: dict[str, dict[str, object]] = {
            kind: {**keys, "columns": {f"yield_{kind}": column}} if log else {**keys, "kind": kind}
            for kind in (("bu_ac", "t_ha") if log else ("relative", "bu_ac", "t_ha"))
        }
        fit = [kind for kind, tried in tries.items() if self._is_likely(tried)]
        if len(fit) == 1:
            self.sections[_YIELD] = Section(keys=tries[fit[0]])
            self.notes.append(note("start.yield-kind", _YIELD, file=look.name, kind=_SHOWN[fit[0]]))
        elif fit:
            self._ask("start.yield-unit", _YIELD, {"kind": fit[0]}, file=look.name)
            self._unsettle(_YIELD)

    def _is_likely(self, keys: dict[str, object]) -> bool:
        try:
            field = self._read({"layers": {"yield_potential": keys}}, sampled=False)
        except InputFileError:
            return False
        return not any(one.code.startswith("ingest.unlikely") for one in field.findings)

    def _take(self, field: Field) -> None:
        """Warnings of the readers as questions, each once."""
        known = {str(question.finding) for question in self.questions}
        for finding in field.findings:
            if finding.level == "warning" and finding.code not in _OWN_QUESTIONS and str(finding) not in known:
                section = finding.about.rpartition(".")[0] if finding.about.startswith(("samples.", "layers.")) else ""
                self.questions.append(Question(finding=finding, section=section, line="", needed=False))

    def _tables(self, *sections: str) -> dict[str, Any]:
        """Tables as the field file has them, with what is likely where it is not settled."""
        tables: dict[str, Any] = {}
        for section in sections:
            at = tables
            for key in section.split(".") if section in self.sections else ():
                at = at.setdefault(key, {})
            at |= {**self.sections[section].open, **self.sections[section].keys} if section in self.sections else {}
        return tables

    def _read(self, tables: Mapping[str, Any], *, sampled: bool = True) -> Field:
        """What a build would read, with any yield goal."""
        header = {"name": "field", "season": self.season, "boundary": self._boundary}
        header |= {"no_apply": [{"file": look.name} for look in self._of("ground") if areas_of(look)]}
        goal = {"yield_goal_t_ha": 12.0} if self.metric else {"yield_goal_bu_ac": 200.0}
        raw = {"samples": {"file": "samples.csv"}, **tables, "field": header, "crop": goal,
               "units": "metric" if self.metric else "us"}  # fmt: skip
        files = InputFiles(Path.cwd(), metric=self.metric, elsewhere=self.copies)
        return read_all(files, settings_from(raw), sampled=sampled)

    def _unused(self) -> None:
        """Files without a place, each with the reason."""
        for look in self.looks:
            line: dict[str, object] = {"file": look.name}
            if look.why:
                self._ask("start.not-used", "", {}, file=look.name, why=look.why, remedy=look.remedy)
            elif look.role == "product":
                self._ask("start.product-map", "layers.applied_n", line, file=look.name)
            elif look.role == "unknown" and look.table is None:
                self._ask("start.raster", _MATTER, line, file=look.name)
            elif look.role in ("unknown", "map_units") and look.table is not None:
                self._ask("start.unclear", "", {}, file=look.name, columns=look.table.named)
