"""Measurement, registration and assessment of subs.

Reads   links/<light>, calibration/<master>.fits; field/solution.fits for registered subs.
Writes  measures/<channel>/<night>.fits, the lock file beside the project file (once),
        registration/<channel>/<night>.fits, registration/<channel>.fits,
        registered/<channel>/<sub>.fits on request.
Steps   measure sky, noise and stars of each sub; choose the reference if none is pinned; match
        stars and fit transforms night by night; assess the subs of a channel.
"""

from platefiles.plan.calibration_jobs import measure_stars_job
from platefiles.plan.channel_jobs import (
    register_job,
    register_sub_job,
    assess_job,
)
from platefiles.plan.grid_jobs import grid_job
from platefiles.rule_inputs import sets


rule measure_stars:
    """Measure sky, noise and stars of each sub of one channel and night."""
    input:
        raw=ancient(
            plans.links(
                sets.frames_of_night,
                of="results/{project}/measures/{channel}/{night}.fits",
            )
        ),
        masters=plans.input(
            sets.masters_of_night,
            of="results/{project}/measures/{channel}/{night}.fits",
        ),
        newer=plans.newer("results/{project}/measures/{channel}/{night}.fits"),
    output:
        "results/{project}/measures/{channel}/{night}.fits",
    log:
        "results/{project}/logs/measure_stars/{channel}_{night}.log",
    benchmark:
        "results/{project}/benchmarks/measure_stars/{channel}_{night}.tsv"
    conda:
        "../envs/pipeline.yaml"
    threads: 4
    resources:
        mem_mb=1500,
    params:
        job=plans.job(measure_stars_job, "channel", "night"),
    script:
        "../scripts/measure_stars.py"


if plans.unpinned:

    checkpoint choose_reference:
        """Choose the grid and the photometric references, which later runs keep."""
        input:
            measures=plans.for_nights(
                "results/{project}/measures/{channel}/{night}.fits",
                of="{lock}.lock.yaml",
            ),
            newer=plans.newer("{lock}.lock.yaml"),
        output:
            update("{lock}.lock.yaml"),
        log:
            "results/logs/choose_reference/{lock}.log",
        benchmark:
            "results/benchmarks/choose_reference/{lock}.tsv"
        wildcard_constraints:
            lock=plans.unpinned_locks,
        conda:
            "../envs/pipeline.yaml"
        threads: 1
        resources:
            mem_mb=500,
        params:
            job=plans.job(grid_job),
        script:
            "../scripts/choose_reference.py"

    plans.wait_for(checkpoints.choose_reference)


rule register:
    """Match the stars of a channel's night with the reference; measure brightness and sky."""
    input:
        measures=plans.input(
            "results/{project}/measures/{channel}/{night}.fits",
            of="results/{project}/registration/{channel}/{night}.fits",
        ),
        references=plans.reference_measures(
            of="results/{project}/registration/{channel}/{night}.fits"
        ),
        lock=plans.lock,
        newer=plans.newer("results/{project}/registration/{channel}/{night}.fits"),
    output:
        "results/{project}/registration/{channel}/{night}.fits",
    log:
        "results/{project}/logs/register/{channel}_{night}.log",
    benchmark:
        "results/{project}/benchmarks/register/{channel}_{night}.tsv"
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=500,
    params:
        job=plans.job(register_job, "channel", "night"),
    script:
        "../scripts/register.py"


rule assess_subs:
    """Assess the subs of a channel: state and weight of each."""
    input:
        registrations=plans.for_nights(
            "results/{project}/registration/{channel}/{night}.fits",
            of="results/{project}/registration/{channel}.fits",
        ),
        newer=plans.newer("results/{project}/registration/{channel}.fits"),
    output:
        "results/{project}/registration/{channel}.fits",
    log:
        "results/{project}/logs/assess_subs/{channel}.log",
    benchmark:
        "results/{project}/benchmarks/assess_subs/{channel}.tsv"
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=500,
    params:
        job=plans.job(assess_job, "channel"),
    script:
        "../scripts/assess_subs.py"


rule register_sub:
    """Write one registered sub, if the project keeps them (`keep_subs`)."""
    input:
        raw=ancient(plans.links(sets.frame_of_sub)),
        masters=plans.input(sets.masters_of_sub),
        registration=plans.input("results/{project}/registration/{channel}.fits"),
        newer=plans.newer("results/{project}/registered/{channel}/{sub}.fits"),
        rays=plans.input(sets.rays_of_sub),
        solution=plans.input("results/{project}/field/solution.fits"),
    output:
        "results/{project}/registered/{channel}/{sub}.fits",
    log:
        "results/{project}/logs/register_sub/{channel}_{sub}.log",
    benchmark:
        "results/{project}/benchmarks/register_sub/{channel}_{sub}.tsv"
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=1000,
    params:
        job=plans.job(register_sub_job, "channel", "sub"),
    script:
        "../scripts/register_sub.py"
