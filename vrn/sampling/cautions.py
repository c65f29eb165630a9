"""What whoever pulls the cores must know: where not to, how, and how to keep them."""

from vrn.model.settings import Settings
from vrn.units import LB_AC_KG_HA

_BAND_LB_AC = 50.0
_CORES_BESIDE_BANDS = 24


def sampling_cautions(settings: Settings, *, cores: int, composites: bool) -> tuple[str, ...]:
    """
    Handling and cautions for the field sheet, each with its source.

    Parameters
    ----------
    settings : Settings
        Its applications say whether nitrogen lies in bands.
    cores : int
        Cores mixed into a sample.
    composites : bool
        Whether a sample speaks for an area.

    Returns
    -------
    cautions : tuple of str
    """
    metric = settings.units == "metric"
    foot, second = ("0–30 cm", "30–60 cm") if metric else ("0–12 in", "12–24 in")
    near = "within 3 m of the place" if metric else "within 10 ft of the place"
    where = "one at each place of the area" if composites else near
    pull = (
        f"Pull {cores} cores for a sample, {where}, {foot}; keep {second} apart. Break and mix them in a clean plastic "
        "pail, fill one bag and write the name on it."
    )
    avoid = (
        "Keep out of starter and injection bands, manure and lime piles, end rows and odd spots; wait two or three "
        "days after heavy rain (Penn State)."
    )
    keep = (
        "Keep samples cool and out of the sun. Read or deliver them within 24 hours, or dry or freeze them "
        "(University of Nebraska-Lincoln, G1740)."
    )
    check = (
        "Read a check standard first, after every ten samples and last; a blank; and every tenth sample twice "
        "(common practice)."
    )
    safe = (
        "Stay out until the re-entry time on the label of the last spray has passed. Have buried lines located before "
        "you probe deeper than a foot."
    )
    stage = "Count leaf collars on the day and write down the stage."
    return pull, _beside_rows(settings, cores=cores, metric=metric), avoid, keep, check, stage, safe


def _beside_rows(settings: Settings, *, cores: int, metric: bool) -> str:
    """Where cores stand between the rows."""
    banded = [one for one in settings.applications if one.placement in ("banded", "injected")]
    if not banded:
        return (
            "Move each core an eighth of the row spacing further from the row than the one before, 0/8 to 7/8 "
            "(Iowa State)."
        )
    pounds = sum(one.n_lb_ac for one in banded)
    shown = f"{pounds * LB_AC_KG_HA:.0f} kg N/ha" if metric else f"{pounds:.0f} lb N/ac"
    more = ""
    if pounds > _BAND_LB_AC and cores < _CORES_BESIDE_BANDS:
        more = f" Take at least {_CORES_BESIDE_BANDS} cores instead of {cores} (Iowa State)."
    last = max(one.date for one in banded)
    return (
        f"{shown} lie in bands (last on {last}): pull sets of three cores evenly from one row to the next, until "
        f"the number is full (Illinois).{more}"
    )
