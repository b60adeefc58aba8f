import json
import re
from dataclasses import replace
from pathlib import Path

import pytest

from platecli.arguments.naming import WrongCommand
from platecli.arguments.stage import check_files
from platecli.execution.dry_run import dry_run_lines, is_planned
from platecli.text.outlook import look_ahead
from platefiles.core.errors import UserError
from platefiles.plan.channel_jobs import integrate_job
from platefiles.plan.field_jobs import overlay_job
from platefiles.rule_inputs import sets
from platefiles.runs.plans import Plans
from platefiles.workflow.graph import can_make, products_of, targets_of

NIGHTS = ["2026-03-23", "2026-03-24"]


def test_targets_are_all_channels_and_pictures(opened):
    """The channels, the table of subs and the pictures of the project are the targets."""
    plan = opened().by_name["tiny"]
    assert targets_of(plan, "channels") == [
        *(f"results/tiny/channels/{channel}.fits" for channel in ("g", "b", "ha")),
        "results/tiny/subs.tsv",
    ]
    pictures = [f"results/tiny/picture/ha-in-red.{ending}" for ending in ("png", "tif", "jpg")]
    others = [f"results/tiny/{name}" for name in ("contact_sheet.png", "subs.tsv", "seeing.tsv")]
    assert targets_of(plan, "picture") == [*pictures, *others]


def test_field_is_a_target_and_part_of_all(opened):
    """What is known of the field is made by `field` and by `all`, not by `picture` alone."""
    plan = opened().by_name["tiny"]
    products = ("solution", "zero_points", "depth", "sources")
    names = [f"{name}.fits" for name in products]
    names += [f"sources.{ending}" for ending in ("ecsv", "csv", "vot", "reg")]
    names += ["annotated.png", "annotated.svg"]
    found = [f"results/tiny/field/{name}" for name in names]
    assert targets_of(plan, "field") == found
    assert set(found) <= set(targets_of(plan, "all"))
    assert not set(found) & set(targets_of(plan, "picture"))


def test_kept_subs_are_targets(opened):
    """`keep_subs` makes each sub of each channel a target, in each of the forms."""
    plan = opened(keep_subs=["calibrated", "registered"]).by_name["tiny"]
    kept = [path for path in targets_of(plan, "channels") if "ated/" in path or "ered/" in path]
    assert len(kept) == len(set(kept)) == 2 * 24
    assert set(kept) <= set(targets_of(plan, "all"))
    assert sum("/registered/" in path for path in kept) == 24


def test_images_of_the_user_are_laid_over_the_picture(opened, tmp_path, wild):
    """Each image that the project names is a target of `field`, and one that is missing is told."""
    image = tmp_path / "survey.fits"
    image.write_bytes(b"")
    plans = opened(sky={"overlays": {"survey-r": str(image)}})
    plan = plans.by_name["tiny"]
    path = "results/tiny/field/overlay_survey-r.png"
    assert path in targets_of(plan, "field")
    wildcards = wild(image="survey-r")
    assert plans.user_file(sets.overlaid_image)(wildcards) == str(image)
    assert json.loads(plans.job(overlay_job, "image")(wildcards))["image"] == "survey-r"
    image.unlink()
    with pytest.raises(UserError, match=r"sky\.overlays\.survey-r: no such file"):
        opened(sky={"overlays": {"survey-r": str(image)}})


def test_a_path_is_an_input_by_itself_and_a_set_is_a_list(opened, wild):
    """So a step finds one path where the rule shows one, and as many as its channels have."""
    plans, sky = opened(), "results/{project}/sky/{channel}.fits"
    image = plans.input("results/{project}/channels/{channel}.fits", of=sky)
    assert image(wild(channel="g")) == "results/tiny/channels/g.fits"
    skies = plans.for_channels(sky, of="results/{project}/seeing.tsv")
    assert skies(wild()) == [f"results/tiny/sky/{name}.fits" for name in ("g", "b", "ha")]
    pair = plans.for_channels(
        sky, of="results/{project}/lines/{channel}.fits", among=lambda plan, w: ["g", w.channel]
    )
    assert pair(wild(channel="ha")) == [f"results/tiny/sky/{name}.fits" for name in ("g", "ha")]


def test_nights_are_those_of_the_channel_that_is_named(opened, wild):
    """Without a channel all nights of all channels, with a night that night alone."""
    measures, of = "results/{project}/measures/{channel}/{night}.fits", "results/{project}/x.fits"
    files = opened().for_nights(measures, of=of)
    of_g = [f"results/tiny/measures/g/{night}.fits" for night in NIGHTS]
    assert files(wild(channel="g")) == of_g
    assert files(wild(channel="g", night=NIGHTS[1])) == of_g[1:]
    assert len(files(wild())) == 6


def test_what_stays_as_it_is_asks_for_nothing_that_is_gone(opened, wild, monkeypatch):
    """Of a product that is as it should be, inputs that are there have no age, others are none.

    What is made on request alone asks for its inputs all the same.
    """
    plans, consumer = opened(), "results/{project}/sky/{channel}.fits"
    image = "results/{project}/channels/{channel}.fits"
    monkeypatch.setattr(plans._products, "to_make", set())
    path = Path(consumer.format(project="tiny", channel="g"))
    path.parent.mkdir()
    path.touch()
    assert plans.input(image, of=consumer)(wild(channel="g")) == []
    found = plans.input(image)(wild(channel="g"))
    assert (found, found.flags) == ("results/tiny/channels/g.fits", {"ancient": True})


def test_snakemake_sees_nothing_behind_a_product_that_is_kept(opened, wild, monkeypatch):
    """Of a product that is up to date, neither products nor raw frames are inputs.

    So a new night costs Snakemake that night. If it may be forced, every input is there.
    """
    consumer = "results/{project}/measures/{channel}/{night}.fits"
    wildcards = wild(channel="g", night=NIGHTS[0])
    path = Path(consumer.format(project="tiny", channel="g", night=NIGHTS[0]))
    path.parent.mkdir(parents=True)
    path.touch()
    for words, kept in (((), True), (("--forcerun", "measure_stars"), False)):
        plans = opened(*words)
        master = f"results/tiny/calibration/{next(iter(plans.by_name['tiny'].masters))}.fits"
        Path(master).parent.mkdir(exist_ok=True)
        Path(master).touch()
        inputs = [
            plans.links(sets.frames_of_night, of=consumer),
            plans.input(lambda plan, wildcards, master=master: [master], of=consumer),
        ]
        assert [len(one(wildcards)) for one in inputs] == [4, 1]  # it is stale
        monkeypatch.setattr(plans._products, "to_make", set())
        monkeypatch.setattr(plans._products, "stale", set())
        vars(plans._products).pop("_kept", None)
        assert [len(one(wildcards)) for one in inputs] == ([0, 0] if kept else [4, 1])


def test_wildcards_are_what_the_projects_have(opened):
    """What no project has is no channel, night or picture of a rule, so no rule makes it."""
    plans = opened()
    assert sorted(plans.channels.split("|")) == ["b", "g", "ha"]
    assert [
        night for night in (*NIGHTS, "2020-01-01") if re.fullmatch(plans.nights, night)
    ] == NIGHTS
    assert plans.pictures.split("|") == ["ha\\-in\\-red"]
    nothing = Plans({}, dry_run=True)
    assert not any(re.match(one, "") for one in (nothing.channels, nothing.nights))


def test_what_only_another_project_has_is_a_sentence(opened, wild):
    """It names the project and what it has; a sub belongs to its channel."""
    plans = opened()
    (frame, *_) = plans.by_name["tiny"].lights("g")
    with pytest.raises(UserError, match="project tiny has no channel 'zz'; it has "):
        plans.job(integrate_job, "channel")(wild(channel="zz"))
    with pytest.raises(
        UserError, match="channel 'g' of project tiny has no sub 'zz'; results/tiny/"
    ):
        plans.links(sets.frame_of_sub)(wild(channel="g", sub="zz"))
    with pytest.raises(UserError, match=f"channel 'b' of project tiny has no sub '{frame.id}'"):
        plans.links(sets.frame_of_sub)(wild(channel="b", sub=frame.id))


def test_what_rules_make_is_known(opened):
    """Every product, and what is only made on demand; nothing else, nor of another project."""
    plan = opened().by_name["tiny"]
    (frame, *_) = plan.lights("g")
    for path in products_of(plan):
        assert can_make(plan, path) == path.startswith("results/")
    for inside in (
        f"registered/g/{frame.id}.fits",
        f"calibrated/g/{frame.id}.fits",
        f"cosmic_rays/g/{NIGHTS[0]}.fits",
        "picture/ha-in-red.tif",
        "picture/ha-in-red_123px.jpg".replace("_", "."),
        "matched/g.fits",
    ):
        assert can_make(plan, f"results/tiny/{inside}")
    for path in (
        "results/tiny/channels/zz.fits",
        "results/other/channels/g.fits",
        "channels/g.fits",
        "results/tiny/",
        "results/../results/tiny/channels/g.fits",
        "results/tiny/frames.tsv",
        f"results/tiny/registered/b/{frame.id}.fits",
        "results/tiny/picture/x.png",
        "results/tiny/picture/ha-in-red.gif",
        "results/tiny/measures/g/2020-01-01.fits",
    ):
        assert not can_make(plan, path)


def test_a_file_that_no_rule_makes_is_a_sentence(opened):
    """It names the file, the project and the nearest file; target rules and files are taken."""
    plans = [opened().by_name["tiny"]]
    check_files(["all", "picture", "results/tiny/channels/g.fits"], plans)
    check_files(["results/lost/channels/g.fits"], [])
    said = (
        r"--to results/tiny/chanels/g.fits: no rule makes this file for tiny - did you mean "
        r"'results/tiny/channels/g.fits'\?"
    )
    with pytest.raises(WrongCommand, match=said):
        check_files(["all", "results/tiny/chanels/g.fits"], plans)
    with pytest.raises(
        WrongCommand, match="makes this file for tiny; it may be one such as results/"
    ):
        check_files(["results/" + "x" * 300], plans)


def test_a_dry_run_tells_the_jobs_of_the_plan(opened):
    """A line a job, with its own reason; masters that another project makes are shared."""
    plan = opened().by_name["tiny"]
    other = replace(plan, loaded=replace(plan.loaded, name="other"), results="results/other")
    ahead = {"tiny": look_ahead(plan, "channels"), "other": look_ahead(other, "channels")}
    first, *lines = dry_run_lines(ahead)
    assert len(lines) == sum(len(one.to_make) for one in ahead.values())
    assert first.startswith(f"To do: {len(lines)} jobs: master bias, master dark")
    assert f"share master x {len(plan.masters)}" in first
    assert lines.count("  choose reference tiny  (not there yet)") == 1
    assert "  integrate tiny g" in lines
    assert any(line.startswith("  share master other bias_") for line in lines)
    assert list(dry_run_lines({})) == ["Nothing new to do."]


def test_several_targets_are_looked_ahead_to_together(opened):
    """The jobs of two targets are those of either, each once, in an order that can be made."""
    plan = opened().by_name["tiny"]
    seeing, channel = "results/tiny/seeing.tsv", "results/tiny/channels/g.fits"
    one, other, both = (
        [product.path for product in look_ahead(plan, *targets).to_make]
        for targets in ([channel], [seeing], [channel, seeing])
    )
    assert len(both) == len({*both}) < len(one) + len(other)
    assert {*both} == {*one, *other}


def test_snakemake_is_asked_where_the_plan_does_not_tell(opened):
    """With its options, and for files that are made on demand alone."""
    plan = opened().by_name["tiny"]
    outlooks = [look_ahead(plan, "all")]
    (frame, *_) = plan.lights("g")
    assert is_planned(outlooks, ["all"], ())
    assert is_planned(outlooks, ["results/tiny/channels/g.fits"], ())
    assert not is_planned(outlooks, ["all"], ("--forceall",))
    assert not is_planned(outlooks, ["all", f"results/tiny/registered/g/{frame.id}.fits"], ())
    assert not is_planned([], ["all"], ())
