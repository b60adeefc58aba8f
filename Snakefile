"""From raw subs to a colour picture: calibrate, register, integrate, map, compose.

Projects are named by `--config projects=NAME,NAME`; without it all of config/projects run.
"""

import sys
from pathlib import Path

from snakemake.utils import min_version

min_version("9.19")
sys.path.insert(0, str(Path(workflow.basedir, "scripts")))

from platefiles.core.errors import UserError
from platefiles.jobs.run_lock import hold_run_lock
from platefiles.plan.calibration_jobs import (
    calibrate_job,
    cosmic_rays_job,
    master_job,
    measure_job,
)
from platefiles.plan.channel_jobs import (
    integrate_job,
    register_job,
    register_sub_job,
    subs_job,
)
from platefiles.plan.field_jobs import (
    annotation_job,
    depth_job,
    lists_job,
    overlay_job,
    sources_job,
    zero_points_job,
)
from platefiles.plan.grid_jobs import solution_job
from platefiles.plan.mapped_jobs import line_job, match_job, seeing_job, sky_job
from platefiles.plan.picture_jobs import cube_job, draw_picture_job, sheet_job
from platefiles.rule_inputs import sets
from platefiles.rule_inputs.open_plans import open_plans

base = Path(workflow.basedir)
try:
    plans = open_plans(config, base, workflow.is_main_process, sys.argv)
except UserError as error:
    raise SystemExit(str(error))


onstart:
    try:
        hold_run_lock("results")
    except UserError as error:
        raise SystemExit(str(error))


onsuccess:
    plans.write_digests()


onerror:
    plans.write_digests()


wildcard_constraints:
    project=plans.names,
    channel=plans.channels,
    night=plans.nights,
    sub="[A-Za-z0-9_]+",
    picture=plans.pictures,
    master="[A-Za-z0-9_-]+",


include: "rules/calibration.smk"
include: "rules/registration.smk"
include: "rules/integration.smk"
include: "rules/field.smk"
include: "rules/sky.smk"
include: "rules/colour.smk"


rule all:
    """Make everything: channels, pictures, tables of subs."""
    default_target: True
    input:
        plans.targets("all"),


rule channels:
    """Make the integrated channels and the table of subs."""
    input:
        plans.targets("channels"),


rule field:
    """Find out where the field lies and what its magnitudes are."""
    input:
        plans.targets("field"),


rule picture:
    """Make the pictures."""
    input:
        plans.targets("picture"),
