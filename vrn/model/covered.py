"""Ground that an applicator has already covered."""

from dataclasses import dataclass, field

import shapely

from vrn.findings import Finding


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Covered:
    """
    What ``vrn.ingest.read_covered`` returns: where product already lies, so that the rest can be prescribed.

    Parameters
    ----------
    ground : shapely Polygon or MultiPolygon
        In the field's system, cut to the boundary; may be empty.
    crs : str
        The field's projected system.
    n_lb : float or None
        Nitrogen that lies there; None when the file gives no rate of nitrogen. [lb N]
    findings : tuple of Finding
    inputs : dict of str to str
        Path relative to the field's folder → SHA-256.
    """

    ground: shapely.Geometry
    crs: str
    n_lb: float | None
    findings: tuple[Finding, ...] = ()
    inputs: dict[str, str] = field(default_factory=dict)
