"""The readings of a sampling day in their order: samples along the walk, standards, a blank, and repeats."""

from dataclasses import dataclass, replace

from vrn.sampling.plan import Plan

EVERY = 10  # samples between two check standards, and from one sample read twice to the next
_DEPTHS = ("top", "deep")
# how long a day takes: common practice, no source
_WALK_KM_H = 4.0
_CORE_MIN, _DEEP_CORE_MIN = 0.4, 0.8  # a core of the first depth, and the one below it from the same hole
_STOP_MIN, _BAG_MIN, _READING_MIN = 0.5, 1.0, 1.5  # to find a place, to mix and bag a sample, to read one


@dataclass(frozen=True, slots=True, kw_only=True)
class FormRow:
    """A line of the form; ``depth`` is 0 for the first foot, 1 for the second, -1 for a standard or a blank.

    ``kind`` is ``field``, ``duplicate``, ``standard`` or ``blank``; a composite has an ``area_id`` and no place.
    """

    at: str  # name of the place or area; empty for a standard or a blank
    kind: str
    place: int = -1  # row of the plan's places
    depth: int = -1
    area_id: str = ""

    @property
    def name(self) -> str:
        """What the bag is called: place and depth.

        >>> FormRow(at="07", kind="field", place=6, depth=1).name
        '07 deep'
        """
        return self.kind if self.depth < 0 else f"{self.at} {_DEPTHS[self.depth]}"


def form_rows(plan: Plan) -> tuple[FormRow, ...]:
    """Samples in walking order; a standard first, after every ten, and last; every tenth sample twice; one blank."""
    samples = _samples(plan)
    if not samples:
        return ()
    standard = FormRow(at="", kind="standard")
    rows = [standard, FormRow(at="", kind="blank")]
    for number, sample in enumerate(samples, start=1):
        rows += sample
        if number % EVERY == 0:
            rows.append(replace(sample[0], kind="duplicate"))
            if number < len(samples):
                rows.append(standard)
    return (*rows, standard)


def hours_of(plan: Plan) -> dict[str, float]:
    """Hours of the whole day, and of it those for cores and those for readings, standards and blank among them."""
    cores = (plan.samples * _CORE_MIN + plan.deep_samples * _DEEP_CORE_MIN) * plan.cores
    pulling = (cores + (plan.samples + plan.deep_samples) * _BAG_MIN) / 60
    reading = len(form_rows(plan)) * _READING_MIN / 60
    walking = plan.walk_m / 1000 / _WALK_KM_H + len(plan.places) * _STOP_MIN / 60
    return {"hours": pulling + reading + walking, "pulling": pulling, "reading": reading}


def _samples(plan: Plan) -> list[list[FormRow]]:
    """For each sample its lines, one for each depth."""
    if plan.areas:
        deep = {place.area_id for place in plan.places if place.second_foot}
        return [
            [FormRow(at=name, kind="field", depth=depth, area_id=name) for depth in range(2 if name in deep else 1)]
            for name in plan.areas
        ]
    return [
        [FormRow(at=place.name, kind="field", place=row, depth=depth) for depth in range(2 if place.second_foot else 1)]
        for row, place in enumerate(plan.places)
    ]
