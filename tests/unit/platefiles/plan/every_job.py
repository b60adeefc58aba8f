"""Every job of a plan, and how those of two plans differ."""

import json

from platefiles.plan.blink_jobs import draw_blink_job, encode_blink_job
from platefiles.plan.calibration_jobs import (
    calibrate_job,
    cosmic_rays_job,
    master_job,
    measure_stars_job,
)
from platefiles.plan.channel_jobs import (
    assess_job,
    integrate_job,
    integrate_night_job,
    register_job,
    register_sub_job,
    subs_job,
)
from platefiles.plan.field_jobs import (
    annotation_job,
    depth_job,
    lists_job,
    sources_job,
    zero_points_job,
)
from platefiles.plan.grid_jobs import grid_job, solution_job
from platefiles.plan.mapped_jobs import seeing_job, sky_job
from platefiles.plan.picture_jobs import draw_picture_job, encode_picture_job, linear_image_job

CHANNELS = ("g", "b", "ha")


NIGHTS = ["2026-03-23", "2026-03-24"]


def jobs_of(plan):
    """Every job of a plan by rule and subject."""
    jobs = {("master", name): master_job(plan, name) for name in plan.masters}
    jobs["choose_reference", ""] = grid_job(plan)
    jobs["list_seeing", ""] = seeing_job(plan)
    for channel in plan.channels:
        jobs["subtract_gradient", channel] = sky_job(plan, channel)
        jobs["assess_subs", channel] = assess_job(plan, channel)
        jobs["integrate", channel] = integrate_job(plan, channel)
        jobs["draw_blink", channel] = draw_blink_job(plan, channel)
        jobs["encode_blink", channel] = encode_blink_job(plan, channel)
        for night in plan.nights(channel):
            jobs["register", channel, night] = register_job(plan, channel, night)
            jobs["measure_stars", channel, night] = measure_stars_job(plan, channel, night)
            jobs["find_cosmic_rays", channel, night] = cosmic_rays_job(plan, channel, night)
        for night in plan.nights_alone(channel):
            jobs["integrate_night", channel, night] = integrate_night_job(plan, channel, night)
        for frame in plan.lights(channel):
            jobs["calibrate_sub", frame.id] = calibrate_job(plan, frame.id)
            jobs["register_sub", frame.id] = register_sub_job(plan, channel, frame.id)
    jobs["map_channels", ""] = linear_image_job(plan, "ha-in-red")
    jobs["draw_picture", ""] = draw_picture_job(plan, "ha-in-red")
    jobs["encode_picture", ""] = encode_picture_job(plan, "ha-in-red")
    jobs["list_subs", ""] = subs_job(plan)
    jobs["solve_astrometry", ""] = solution_job(plan)
    jobs["find_zero_points", ""] = zero_points_job(plan)
    jobs["measure_depth", ""] = depth_job(plan)
    jobs["identify_sources", ""] = sources_job(plan)
    jobs["list_sources", ""] = lists_job(plan)
    jobs["annotate", ""] = annotation_job(plan)
    return jobs


def own(job):
    """What a job has beside the digest of the jobs below it."""
    return {key: value for key, value in json.loads(job).items() if key != "below"}


def changed_jobs(before, after):
    """Jobs that differ in their own settings."""
    assert before.keys() == after.keys()
    return {key for key in before if own(before[key]) != own(after[key])}


def to_do_again(before, after):
    """Jobs that differ at all."""
    return {key for key in before if before[key] != after[key]}


def rules_of(keys):
    """Rules of jobs; those of masters by their kind."""
    return {f"master_{key[1].split('_')[0]}" if key[0] == "master" else key[0] for key in keys}
