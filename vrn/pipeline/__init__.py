"""The whole order, from a field that was read to a finished prescription."""

from vrn.pipeline.need import expected_top_foot_ppm, need_of_field, season_of_field
from vrn.pipeline.order import build, grid_of, ground_of
from vrn.pipeline.soil import soil_surfaces

__all__ = [
    "build", "expected_top_foot_ppm", "grid_of", "ground_of", "need_of_field", "season_of_field",
    "soil_surfaces",
]  # fmt: skip
