"""Jobs of further pictures of one project."""

import json

from unit.platefiles.plan.every_job import (
    CHANNELS,
    jobs_of,
)

from platefiles.plan.picture_channels import (
    all_picture_files,
    channels_of,
    mapped_channels,
)
from platefiles.plan.picture_jobs import draw_picture_job, encode_picture_job, linear_image_job

VIVID = {"stretch": {"saturation": 2.0}, "files": ["png"]}


GREY = {
    "title": "In grey",
    "mapping": {"red": None, "green": None, "blue": None, "luminance": {"g": 1.0}},
}


def test_further_pictures_are_made_of_the_same_channels(plan_of):
    """Each has its files, its title and its settings; the recipe's picture is as it was."""
    plain, plan = plan_of(), plan_of(pictures={"vivid": VIVID, "grey": GREY})
    assert all_picture_files(plan) == [
        *(f"results/tiny/picture/ha-in-red.{ending}" for ending in ("png", "tif", "jpg")),
        "results/tiny/picture/vivid.png",
        *(f"results/tiny/picture/grey.{ending}" for ending in ("png", "tif", "jpg")),
    ]
    assert jobs_of(plan) == jobs_of(plain)
    assert channels_of(plan, "grey") == ["g"]
    assert mapped_channels(plan) == list(CHANNELS)
    assert json.loads(encode_picture_job(plan, "grey"))["title"] == "In grey"
    assert json.loads(draw_picture_job(plan, "vivid"))["settings"]["stretch"]["saturation"] == 2.0
    assert json.loads(encode_picture_job(plan, "vivid"))["title"] == plan.loaded.project.title


def test_a_picture_is_made_again_alone(plan_of):
    """A setting of one picture changes its own jobs and those of no other."""

    def jobs(**pictures):
        plan = plan_of(pictures=pictures)
        return {
            name: (linear_image_job(plan, name), draw_picture_job(plan, name))
            for name in plan.loaded.pictures
        }

    before = jobs(vivid=VIVID, grey=GREY)
    after = jobs(vivid=VIVID | {"stretch": {"saturation": 1.5}}, grey=GREY)
    assert after["vivid"][0] == before["vivid"][0]
    assert after["vivid"][1] != before["vivid"][1]
    assert {name for name in before if before[name] != after[name]} == {"vivid"}
    after = jobs(vivid=VIVID | {"mapping": {"green": {"b": 1.0}}}, grey=GREY)
    assert after["vivid"][0] != before["vivid"][0]
    assert {name for name in before if before[name] != after[name]} == {"vivid"}


def test_a_picture_with_a_line_is_not_broadband(plan_of):
    """H-alpha in a colour makes a picture that stars of known colour do not balance."""
    broad = {"mapping": {"red": {"g": 1.0}, "luminance": {"ha": 1.0}}}
    plan = plan_of(pictures={"broad": broad})
    told = {
        name: json.loads(linear_image_job(plan, name))["broadband"] for name in plan.loaded.pictures
    }
    assert told == {"ha-in-red": False, "broad": True}
