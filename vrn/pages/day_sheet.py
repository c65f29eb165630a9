"""The load sheet of the day: every field on a stick in its order, the product to load in all, then each field's own."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

from vrn.findings import Quantity
from vrn.words import UnitFormat, say


@dataclass(frozen=True, slots=True, kw_only=True)
class CarriedField:
    """A field on a stick: its names there, what it takes, and its own sheet.

    ``total`` is in ``unit``: ``gal``, ``lb``, or ``mass`` for nitrogen without a product. ``shapefile`` is the name of
    its four files without their endings, ``setpoints`` the hash of its task's rates as the audit reads them. ``key`` is
    the field's own id where it has one.
    """

    grower: str
    farm: str
    field: str
    season: int
    id: str
    approved: bool
    task: str
    shapefile: str
    product: str
    unit: str
    total: float
    metric: bool
    sheet: str
    setpoints: str
    key: str = ""

    def renamed(self, shapefile: str) -> "CarriedField":
        """The same with its shapefile under another name, on its sheet too."""
        shown = UnitFormat(metric=self.metric)
        old, new = (say(shown, "sheet.shapefile-files", name=name) for name in (self.shapefile, shapefile))
        return replace(self, shapefile=shapefile, sheet=self.sheet.replace(old, new))

    @property
    def place(self) -> tuple[str, str, str]:
        """Customer, farm, field."""
        return self.grower, self.farm, self.field


def day_sheet(fields: Sequence[CarriedField]) -> str:
    """The sheet as text."""
    shown = UnitFormat(metric=all(field.metric for field in fields))
    lines = [say(shown, "stick.title"), "", say(shown, "stick.fields")]
    names = ("number", "field", "task", "shapefile", "product")
    rows = [[say(shown, f"stick.head-{name}") for name in names]]
    totals: dict[tuple[str, str], float] = defaultdict(float)
    for number, field in enumerate(fields, start=1):
        totals[field.product, field.unit] += field.total
        needs = say(UnitFormat(metric=field.metric), "stick.needs", product=field.product,
                    total=Quantity(field.unit, field.total))  # type: ignore[arg-type]  # one of three kinds  # fmt: skip
        rows.append([str(number), field.field, field.task, f"{field.shapefile}.SHP", needs])
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    lines += ["  " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)) for row in rows]
    drafts = [field.field for field in fields if not field.approved]
    if drafts:
        lines += ["", say(shown, "stick.drafts", fields=", ".join(drafts))]
    lines += ["", say(shown, "stick.in-all")]
    for (product, unit), total in totals.items():
        lines.append("  " + say(shown, "stick.needs", product=product, total=Quantity(unit, total)))  # type: ignore[arg-type]
    for number, field in enumerate(fields, start=1):
        head = say(shown, "stick.field", number=str(number), of=str(len(fields)), field=field.field)
        paper = say(shown, "stick.paper", file=f"SHEETS/{field.shapefile}.PDF")
        lines += ["", "=" * 90, head, paper, "", field.sheet.rstrip("\n")]
    return "\n".join(line.rstrip() for line in lines) + "\n"
