"""From raw subs to a colour picture: calibrate, register, integrate, map, compose.

`--config projects=NAME,NAME` names the projects; by default all projects in config/projects run.
"""

import sys
from pathlib import Path

from snakemake.utils import min_version

min_version("9.19")
sys.path.insert(0, str(Path(workflow.basedir, "scripts")))

from platefiles.core.errors import UserError
from platefiles.jobs.run_lock import hold_run_lock
from platefiles.runs.open_plans import open_plans

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
include: "rules/moved.smk"


rule all:
    """Make everything: channels, pictures, tables of subs, what is in the field."""
    default_target: True
    input:
        rules.channels.input,
        rules.picture.input,
        rules.field.input,
