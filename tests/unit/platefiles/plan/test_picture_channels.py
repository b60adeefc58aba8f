from platefiles.plan.mapped_jobs import line_job, sky_job
from platefiles.plan.picture_channels import (
    line_channels,
    mapped_path,
    matched_channels,
    uneven_of,
)
from platefiles.plan.picture_jobs import linear_image_job
from platefiles.workflow.graph import products_of

CHANNELS = ("g", "b", "ha")


def _line_plan(plan_of, **overrides):
    return plan_of(overrides={"continuum": {"ha": {"minus": "g"}}, **overrides})


def test_channels_are_mapped_as_they_are_but_for_their_gradient(plan_of):
    """By default the picture is made of the integrated channels and the models of their skies."""
    plan = plan_of()
    assert uneven_of(plan, "ha-in-red") == list(CHANNELS)
    assert [mapped_path(plan, name) for name in CHANNELS] == [
        f"results/tiny/channels/{name}.fits" for name in CHANNELS
    ]
    assert line_channels(plan) == []
    assert not any(p.rule in ("match_channel", "subtract_continuum") for p in _products(plan))


def test_starlight_is_taken_out_of_the_channel_that_is_named(plan_of):
    """The line is mapped in the place of its channel, made from both and their skies."""
    plan = _line_plan(plan_of)
    assert uneven_of(plan, "ha-in-red") == ["g", "b"]
    assert mapped_path(plan, "ha") == "results/tiny/lines/ha.fits"
    line = next(p for p in _products(plan) if p.rule == "subtract_continuum")
    assert line.inputs == tuple(
        f"results/tiny/{folder}/{name}.fits"
        for folder in ("channels", "sky")
        for name in ("ha", "g")
    )
    cube = next(p for p in _products(plan) if p.rule == "map_channels")
    assert "results/tiny/lines/ha.fits" in cube.inputs
    assert "results/tiny/sky/ha.fits" not in cube.inputs


def test_matched_channels_are_mapped_and_serve_the_lines(plan_of):
    """With `match`, each channel of the picture is made of all of them, and lines of these."""
    plan = _line_plan(plan_of, seeing={"match": True}, mapping={"red": {"ha": 1}, "green": {"b": 1},
                      "blue": {"b": 1}, "luminance": {"b": 1}})  # fmt: skip
    assert matched_channels(plan) == list(CHANNELS)
    assert uneven_of(plan, "ha-in-red") == []
    products = {p.path: p for p in _products(plan)}
    assert len(products["results/tiny/matched/b.fits"].inputs) == 6
    assert products["results/tiny/lines/ha.fits"].inputs[:2] == (
        "results/tiny/matched/ha.fits", "results/tiny/matched/g.fits"
    )  # fmt: skip
    assert "results/tiny/matched/b.fits" in products[plan.paths.recipe_linear_image].inputs


def test_a_scale_is_the_business_of_its_line_alone(plan_of):
    """Another scale changes the job of the line channel and later jobs, not the channels."""
    before = _line_plan(plan_of)
    after = plan_of(overrides={"continuum": {"ha": {"minus": "g", "scale": 0.1}}})
    assert line_job(before, "ha") != line_job(after, "ha")
    assert linear_image_job(before, "ha-in-red") != linear_image_job(after, "ha-in-red")
    assert sky_job(before, "ha") == sky_job(after, "ha")


def _products(plan):
    return products_of(plan).values()
