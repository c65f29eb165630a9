"""What a sampling plan says to whoever walks it: its numbers and reasons, in the reader's units."""

import math

from vrn.findings import Quantity
from vrn.model.grid import geodesic_acres
from vrn.sampling.form import hours_of
from vrn.sampling.next_reading import NextReadings
from vrn.sampling.plan import GATHER_FT, Place, Plan
from vrn.units import FT_M
from vrn.words import UnitFormat, say


def plan_facts(plan: Plan, shown: UnitFormat) -> str:
    """One line: season, ground, samples, cores, the walk."""
    acres = Quantity("area", geodesic_acres(plan.field.treated, plan.field.crs))
    ground = say(shown, "plan.facts-field", season=str(plan.settings.header.season), area=acres)
    first = " · ".join(filter(None, (plan.settings.farm.grower, plan.settings.farm.farm, ground)))
    if not plan.places:
        return f"{first} · {say(shown, 'plan.facts-none')}"
    kind, deep = "composites" if plan.areas else "samples", "-deep" if plan.deep_samples else ""
    samples = say(shown, f"plan.facts-{kind}{deep}", count=plan.samples, cores=plan.cores, deep=plan.deep_samples)
    hours = {name: Quantity("number", value) for name, value in hours_of(plan).items()}
    walk = say(shown, "plan.facts-walk", walk=Quantity("distance", plan.walk_m / FT_M), **hours)
    return f"{first} · {samples} · {walk}"


def size_text(plan: Plan, shown: UnitFormat) -> str:
    """Why this number of samples, or these readings, in a few sentences."""
    if plan.next is not None:
        return next_text(plan.next, shown)
    size = plan.size
    needed = say(
        shown, f"plan.size-{size.cv_from}", error=Quantity("percent", size.error_pct), needed=size.needed,
        sure=Quantity("share", size.confidence), cv=Quantity("percent", size.cv_pct), readings=size.cv_readings,
    )  # fmt: skip
    if plan.areas:
        return f"{needed} {say(shown, 'plan.size-composites', count=len(plan.areas))}"
    planned = "asked" if size.given else "for-map" if size.for_map > size.needed else "for-mean"
    sentences = [
        needed,
        say(shown, f"plan.size-{planned}", count=size.samples, each=Quantity("area", 2.5)),
    ]
    if math.isfinite(size.error_of_mean_pct):
        sentences.append(say(shown, "plan.size-gives", error=Quantity("percent", size.error_of_mean_pct)))
    if plan.pairs:
        sentences.append(say(shown, "plan.size-pairs", count=plan.pairs))
    return " ".join(sentences)


def next_text(found: NextReadings, shown: UnitFormat) -> str:
    """Why these further readings, or why there are enough."""
    count = len(found.readings)
    code = "enough" if found.enough else "fewer" if count < found.wanted else "readings"
    step, patch = Quantity("amount", found.step_lb_ac), Quantity("area", found.patch_ac)
    saved = {"saving": Quantity("money", found.saving_usd or found.best_usd),
             "cost": Quantity("money", found.per_reading_usd)}  # fmt: skip
    if found.enough and found.best_usd is not None and found.per_reading_usd is not None:
        return say(shown, "plan.next-enough-money", **saved)
    sentences = [say(shown, f"plan.next-{code}", count=count, step=step, patch=patch)]
    if found.gain_lb:
        code = "plan.next-gain-one" if count == 1 else "plan.next-gain"
        sentences.append(say(shown, code, gain=Quantity("mass", found.gain_lb)))
    if found.saving_usd is not None:
        known = "" if found.per_reading_usd is None else "-cost"
        sentences.append(say(shown, f"plan.next-saving{known}", **saved))
    if found.assumed:
        sentences.append(say(shown, f"plan.next-{found.assumed}"))
    return " ".join(sentences)


def second_foot_text(plan: Plan, shown: UnitFormat) -> str:
    """Where the second foot is pulled, and why."""
    foot = plan.second_foot
    return say(
        shown, f"plan.second-foot-{foot.reason}", depth=depth_texts(plan)[1], texture=foot.texture,
        rain=Quantity("rain", foot.rain_in),
    )  # fmt: skip


def place_note(place: Place, shown: UnitFormat) -> str:
    """What a place is there for, when it is not an ordinary sample; else empty."""
    if place.pair_of:
        return say(shown, "plan.close-pair", name=place.pair_of)
    if place.reading is None:
        return ""
    gain, moved = Quantity("mass", place.reading.gain_lb), Quantity("area", place.reading.moved_ac)
    return say(shown, "plan.gain", zone=place.reading.zone, gain=gain, moved=moved)


def caution_texts(plan: Plan, shown: UnitFormat) -> tuple[str, ...]:
    """What whoever pulls the cores must know: where not to, how, and how to keep them; each with its source."""
    first, second = depth_texts(plan)
    pattern, cores = plan.pattern, plan.cores
    pull = "plan.caution-pull-areas" if plan.areas else "plan.caution-pull"
    sentences = [say(shown, pull, cores=cores, near=Quantity("length", GATHER_FT), first=first)]
    if pattern.sets_of == 8 or pattern.last is None:
        sentences.append(say(shown, "plan.caution-rows"))
    else:
        pounds, sets = Quantity("rate", pattern.banded_lb_ac), cores // pattern.sets_of
        sentences.append(say(shown, "plan.caution-bands", rate=pounds, last=pattern.last, sets=sets))
    sentences.append(say(shown, "plan.caution-bag", second=second))
    sentences.append(say(shown, "plan.caution-cores", error=Quantity("percent", pattern.error_pct), cores=cores))
    avoid = "avoid" if pattern.sets_of == 8 else "avoid-beside-bands"  # sets of three cross the bands on purpose
    always = (avoid, "keep", "check", "stage", "safe")
    return (*sentences, *(say(shown, f"plan.caution-{code}") for code in always))


def depth_texts(plan: Plan) -> tuple[str, str]:
    """Both depths as they are written, in the field's unit: ``0–12 in`` and ``12–24 in``."""
    ((first, second), (_, third)), unit = depths_of(plan)
    return f"{first}–{second} {unit}", f"{second}–{third} {unit}"


def depths_of(plan: Plan) -> tuple[tuple[tuple[int, int], tuple[int, int]], str]:
    """Both depths of the cores in the field's unit, and the unit."""
    return (((0, 30), (30, 60)), "cm") if plan.settings.units == "metric" else (((0, 12), (12, 24)), "in")
