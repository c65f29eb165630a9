"""What the map page says of each zone and once for the field: rates, budgets, doubt, what a person may set."""

from dataclasses import dataclass

from vrn.findings import Quantity
from vrn.pages.ramps import rate_colors
from vrn.pages.report_nitrogen import reasons_text
from vrn.pages.report_phrases import zone_label
from vrn.pages.tables import LedgerRow, SamplePlace, ledger_rows
from vrn.prescription.model import Change, Prescription, ZoneRate
from vrn.words import UnitFormat, finding_texts, say

_SAME_LB_AC = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class ZoneText:
    """
    A zone as the page shows it, every number with its unit where it has one.

    Parameters
    ----------
    label, lead, sure : str
        What sets it apart, what it gets, how sure its need is.
    rows, total : tuple of LedgerRow, str
        Ledger, and its unclipped sum.
    changes : tuple of (str, str, str)
        Why, from, to.
    means : tuple of (str, str)
        Name and average of what the need rests on.
    methods : tuple of (str, str, str)
        Title, need and remark of the other methods.
    reason, allowed : str
        Reason of an override in force, and what a person may set.
    """

    zone: int
    color: str
    rate: str
    label: str
    lead: str
    sure: str
    rows: tuple[LedgerRow, ...]
    total: str
    changes: tuple[tuple[str, str, str], ...]
    means: tuple[tuple[str, str], ...]
    samples: str
    methods: tuple[tuple[str, str, str], ...]
    notes: tuple[str, ...]
    reason: str
    allowed: str


def why_changed(change: Change, shown: UnitFormat) -> str:
    """Why a rate was changed, in the reader's units; a person's reason stays as it was written."""
    return say(shown, f"rates.change-{change.cause}", **change.quantities)


def zone_texts(prescription: Prescription, places: list[SamplePlace], shown: UnitFormat) -> list[ZoneText]:
    """Every zone as the page shows it, in order."""
    colors = rate_colors(prescription.rates)
    return [
        _zone(prescription, rate, colors[rate.zone], [place for place in places if place.zone == rate.zone], shown)
        for rate in prescription.rates
    ]


def _zone(
    prescription: Prescription, rate: ZoneRate, color: str, inside: list[SamplePlace], shown: UnitFormat
) -> ZoneText:
    rows, total = ledger_rows(rate.ledger, shown)
    label = zone_label(rate, shown)
    listed = "; ".join(f"{place.ids}: {place.label}" for place in inside)
    means = (("nitrate", "concentration", rate.nitrate_ppm), ("organic-matter", "organic_matter",
             rate.organic_matter_pct), ("yield-goal", "yield", rate.yield_goal_bu_ac))  # fmt: skip
    return ZoneText(
        zone=rate.zone, color=color, rate=shown.number("rate", rate.rate_n_lb_ac),
        label=f"{label[:1].upper()}{label[1:]}." if label else "", lead=_lead(prescription, rate, shown),
        sure=_sure(rate, shown), rows=rows, total=total,
        changes=tuple(
            (why_changed(change, shown), shown.number("rate", change.from_n_lb_ac),
             shown.number("rate", change.to_n_lb_ac))
            for change in rate.changes
        ),
        means=tuple((say(shown, f"map.mean-{name}"), shown.text(kind, value)) for name, kind, value in means),
        samples=say(shown, "map.samples-inside", samples=len(inside), unit=shown.unit("concentration"), listed=listed)
        if inside else say(shown, "map.no-sample-inside"),
        methods=tuple(
            (one.method.title, shown.number("whole_amount", one.by_zone[rate.zone]), reasons_text(shown, one.reasons))
            for one in prescription.methods
            if rate.zone in one.by_zone and one.method.key != prescription.ledger.key
        ),
        notes=tuple(text.problem for text in finding_texts(shown, rate.ledger.findings)),
        reason=override_of(prescription, rate.zone)[1] or "", allowed=allowed_of(rate, shown)[2],
    )  # fmt: skip


def _lead(prescription: Prescription, rate: ZoneRate, shown: UnitFormat) -> str:
    """Product, area, and the rate against one flat rate."""
    product, flat = prescription.product, prescription.flat_rate_n_lb_ac
    apart = rate.rate_n_lb_ac - flat
    way = "same" if abs(apart) < _SAME_LB_AC else "more" if apart > 0 else "less"
    return " ".join(
        (
            say(
                shown, "map.lead" if rate.parts == 1 else "map.lead-parts", product=product.name,
                rate=shown.text(f"{product.unit}/ac", rate.product_per_ac), area=Quantity("area", rate.acres),
                parts=rate.parts,
            ),
            say(shown, f"map.flat-{way}", flat=Quantity("rate", flat), apart=Quantity("rate", abs(apart))),
        )
    )  # fmt: skip


def _sure(rate: ZoneRate, shown: UnitFormat) -> str:
    need, error = Quantity("amount", rate.need_lb_ac), Quantity("whole_amount", rate.need_se_lb_ac)
    words = say(shown, "map.need-unsure" if rate.need_se_lb_ac is None else "map.need-sure", need=need, error=error)
    if rate.ledger.band_lb_ac is not None:
        low, high = (Quantity("whole_amount", float(end)) for end in rate.ledger.band_lb_ac)
        words += " " + say(shown, "map.band", low=low, high=high)
    return words


def state_text(prescription: Prescription, shown: UnitFormat) -> str:
    """Signed by whom, or not yet, and the signer's note."""
    review = prescription.field.settings.review
    words = say(shown, "report.not-signed")
    if prescription.field.settings.approved:
        words = say(shown, "report.signed", name=str(review.approved_by), on=Quantity("date", review.approved_on))
    return f"{words} {review.note}" if review.note else words


def allowed_of(rate: ZoneRate, shown: UnitFormat) -> tuple[float, float, str]:
    """Rates a person may set for a zone: least and most above 0 [lb N/ac], and the same in words."""
    least, most = rate.allowed_n_lb_ac
    ends = {"least": Quantity("rate", least), "most": Quantity("rate", most)}
    return least, most, say(shown, "map.allowed" if most > 0 else "map.allowed-none", **ends)


def override_of(prescription: Prescription, zone: int) -> tuple[float, str] | tuple[None, None]:
    """An override in force: the rate that was set [lb N/ac] and its reason; None where there is none."""
    for override in prescription.field.settings.review.override:
        if override.zone == zone:
            return override.rate_n_lb_ac, override.reason
    return None, None
