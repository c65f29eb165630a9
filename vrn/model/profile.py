"""Which depths speak for the top foot and which for what lies below it."""

from dataclasses import dataclass

from vrn.errors import InputFileError
from vrn.findings import Finding
from vrn.model.samples import SoilSamples

_TOP_FOOT_IN = 12.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Profile:
    """
    Depth layers of a field's readings, each without gaps, shallow first.

    Parameters
    ----------
    top : tuple of SoilSamples
        Layers from the surface down to 12 in (or the one layer that starts at the surface).
    deep : tuple of SoilSamples
        Layers below them; empty when none was pulled.
    findings : tuple of Finding
        Readings that fit into neither.
    """

    top: tuple[SoilSamples, ...]
    deep: tuple[SoilSamples, ...]
    findings: tuple[Finding, ...] = ()


def profile_of(samples: SoilSamples) -> Profile:
    """
    Sort readings into the top foot and what lies below it.

    Parameters
    ----------
    samples : SoilSamples
        Only the readings that speak for the field.

    Returns
    -------
    profile : Profile

    Raises
    ------
    InputFileError
        If no reading starts at the surface.

    Notes
    -----
    Where intervals compete (0–12 and 0–24 in), the one with most readings speaks; the others are told.
    """
    counts = {depth: len(samples.at_depth(*depth)) for depth in samples.depths_in()}
    chain: list[tuple[float, float]] = []
    bottom_in = 0.0
    while starts := [depth for depth in counts if depth[0] == bottom_in]:
        chosen = max(starts, key=lambda depth: (counts[depth], -depth[1]))
        chain.append(chosen)
        bottom_in = chosen[1]
    if not chain:
        found = ", ".join(f"{top:g}–{bottom:g} in" for top, bottom in counts) or "none"
        problem = f"{samples.source}: no reading starts at the surface (depths found: {found})."
        raise InputFileError(problem, "Give the readings of the top layer with top_in = 0.")
    top = [depth for depth in chain if depth[1] <= _TOP_FOOT_IN] or chain[:1]
    deep = chain[len(top) :]
    left_out = [depth for depth in counts if depth not in chain]
    findings = tuple(
        Finding(
            level="warning",
            about=samples.source,
            problem=f"{counts[depth]} readings of {depth[0]:g}–{depth[1]:g} in are not used: they overlap or leave "
            f"a gap beside the layers {', '.join(f'{a:g}–{b:g}' for a, b in chain)} in.",
            remedy="Check the depths of those rows.",
        )
        for depth in left_out
    )
    return Profile(
        top=tuple(samples.at_depth(*depth) for depth in top),
        deep=tuple(samples.at_depth(*depth) for depth in deep),
        findings=findings,
    )
