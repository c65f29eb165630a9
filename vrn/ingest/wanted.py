"""What each layer is: the columns it is usually found in, what its values can be, and what they likely are."""

from dataclasses import dataclass

from vrn.units import BU_AC_T_HA, LB_AC_KG_HA


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """
    What a layer is and what its values may be.

    Parameters
    ----------
    name : str
        Of the layer, its unit at the end.
    usual : tuple of str
        Column names taken when the field file names none.
    least, most : float
        Values beyond these are no such quantity and are refused.
    likely : tuple of float
        Values beyond these raise a finding.
    doubt : str
        What values beyond them usually mean.
    factor : float
        From the file's unit, in which the limits above are, to that of the layer.
    """

    name: str
    usual: tuple[str, ...]
    least: float
    most: float
    likely: tuple[float, float]
    doubt: str
    factor: float = 1.0


ORGANIC_MATTER = Wanted(
    name="organic_matter_pct", usual=("organic_matter_pct", "om_pct", "organic_matter", "om"), least=0.0, most=100.0,
    likely=(0.3, 15.0), doubt="Per cent of weight is meant; mineral soils hold 0.5 to 8.",
)  # fmt: skip
RELATIVE = Wanted(
    name="yield_potential", usual=("yield_potential", "relative_yield", "relative"), least=0.0, most=1e4,
    likely=(0.2, 2.5), doubt='A relative layer has a mean near 1; for bushels set kind = "bu_ac".',
)  # fmt: skip
YIELD = Wanted(
    name="yield_bu_ac", usual=("yield_bu_ac", "yield_potential", "yield"), least=0.0, most=600.0, likely=(20.0, 400.0),
    doubt='Bushels per acre are meant; for a layer with a mean of 1 set kind = "relative".',
)  # fmt: skip
YIELD_T_HA = Wanted(
    name="yield_bu_ac", usual=("yield_t_ha", "yield_potential", "yield"), least=0.0, most=38.0, likely=(1.2, 25.0),
    doubt='Tonnes per hectare are meant; for a layer with a mean of 1 set kind = "relative".', factor=1.0 / BU_AC_T_HA,
)  # fmt: skip
APPLIED = Wanted(
    name="applied_n_lb_ac", usual=("applied_n_lb_ac", "n_lb_ac", "applied_n"), least=0.0, most=1000.0,
    likely=(0.0, 300.0), doubt="Pounds of nitrogen per acre are meant, not of product.",
)  # fmt: skip
APPLIED_KG_HA = Wanted(
    name="applied_n_lb_ac", usual=("applied_n_kg_ha", "n_kg_ha", "applied_n"), least=0.0, most=1120.0,
    likely=(0.0, 336.0), doubt="Kilograms of nitrogen per hectare are meant, not of product.", factor=1.0 / LB_AC_KG_HA,
)  # fmt: skip
ZONE = Wanted(name="zone", usual=("zone", "zone_id", "id"), least=1.0, most=254.0, likely=(1.0, 254.0), doubt="")


def applied_unit(column: str | None, units: str) -> Wanted:
    """
    Unit of a map of nitrogen already applied.

    Parameters
    ----------
    column : str or None
        Its column; an ending ``_lb_ac`` or ``_kg_ha`` settles it.
    units : {"us", "metric"}
        Of the field file, which settles it otherwise.

    Returns
    -------
    wanted : Wanted

    Examples
    --------
    >>> applied_unit("n_kg_ha", "us") is APPLIED_KG_HA, applied_unit(None, "us") is APPLIED
    (True, True)
    """
    column = (column or "").lower()
    metric = column.endswith("_kg_ha") or (units == "metric" and not column.endswith("_lb_ac"))
    return APPLIED_KG_HA if metric else APPLIED
