"""Which nights of a channel are integrated on their own."""

from dataclasses import replace

import pytest

FIRST, SECOND = "2026-03-23", "2026-03-24"


def _with_lights(plan, **counts):
    """Return the plan with so many lights of channel g in a night; others are as they were."""
    wanted = {FIRST: counts["first"], SECOND: counts["second"]}
    frames = [f for f in plan.frames if (f.role, f.channel) != ("light", "g")]
    for night, count in wanted.items():
        model = plan.lights("g", night)[0]
        frames += [replace(model, id=f"g_{night}_{k}") for k in range(count)]
    return replace(plan, frames=tuple(frames))


@pytest.mark.parametrize(
    ("first", "second", "alone"),
    [(4, 4, []), (5, 4, []), (5, 5, [FIRST, SECOND]), (40, 0, []), (4, 40, [])],
)
def test_two_nights_of_five_lights_are_stacked(plan_of, first, second, alone):
    """One long night alone would only be written twice."""
    plan = _with_lights(plan_of(), first=first, second=second)
    assert plan.nights_alone("g") == alone
    merged = {frame.night for frame in plan.lights_merged("g")}
    assert merged == {n for n, count in ((FIRST, first), (SECOND, second)) if count} - set(alone)


def test_short_nights_are_merged_beside_stacks(plan_of):
    """A third night of two lights stays with the raw frames."""
    plan = _with_lights(plan_of(), first=6, second=6)
    short = [replace(f, night="2026-03-25", id=f"s_{f.id}") for f in plan.lights("g", FIRST)[:2]]
    plan = replace(plan, frames=(*plan.frames, *short))
    assert plan.nights_alone("g") == [FIRST, SECOND]
    assert plan.lights_merged("g") == short


@pytest.mark.parametrize(
    ("choice", "cosmic_rays", "alone"),
    [
        ("always", "auto", [FIRST, SECOND]),
        ("never", "auto", []),
        ("always", "always", [FIRST, SECOND]),
    ],
)
def test_the_recipe_chooses(plan_of, choice, cosmic_rays, alone):
    """`always` and `never` do not ask how many lights a night has."""
    settings = {"by_night": choice, "single_frame_cosmic_rays": cosmic_rays}
    plan = plan_of(overrides={"integration": settings})
    assert plan.nights_alone("g") == alone


def test_a_channel_that_is_cleaned_for_its_few_subs_is_integrated_at_once(plan_of):
    """With `always`, stacks begin when the whole channel has enough subs to compare."""
    plan = plan_of(overrides={"integration": {"by_night": "always"}})
    plan = _with_lights(plan, first=2, second=2)
    assert plan.nights_alone("g") == []
