"""Masters of the calibration frames.

Reads   links/<raw frame>, grouped by camera setting, exposure, temperature, channel and night.
Writes  calibration/<master>.fits: bias, dark, flat, each with its mask of bad pixels.
Steps   combine bias frames; subtract the bias from darks; subtract dark or bias from flats.
"""

from platefiles.plan.calibration_jobs import calibrate_job, master_job
from platefiles.rule_inputs import sets


rule master_bias:
    """Combine bias frames; measure the read noise from their differences."""
    input:
        raw=ancient(
            plans.links(
                sets.frames_of_master, of="results/{project}/calibration/{master}.fits"
            )
        ),
        newer=plans.newer("results/{project}/calibration/{master}.fits"),
    output:
        "results/{project}/calibration/{master}.fits",
    log:
        "results/{project}/logs/master_bias/{master}.log",
    benchmark:
        "results/{project}/benchmarks/master_bias/{master}.tsv"
    wildcard_constraints:
        master="bias_[A-Za-z0-9_-]+",
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=500,
    params:
        job=plans.job(master_job, "master"),
    script:
        "../scripts/master_bias.py"


rule master_dark:
    """Combine dark frames; find hot and unstable pixels."""
    input:
        raw=ancient(
            plans.links(
                sets.frames_of_master, of="results/{project}/calibration/{master}.fits"
            )
        ),
        masters=plans.input(
            sets.masters_below, of="results/{project}/calibration/{master}.fits"
        ),
        newer=plans.newer("results/{project}/calibration/{master}.fits"),
    output:
        "results/{project}/calibration/{master}.fits",
    log:
        "results/{project}/logs/master_dark/{master}.log",
    benchmark:
        "results/{project}/benchmarks/master_dark/{master}.tsv"
    wildcard_constraints:
        master="dark_[A-Za-z0-9_-]+",
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=500,
    params:
        job=plans.job(master_job, "master"),
    script:
        "../scripts/master_dark.py"


rule master_flat:
    """Combine flat frames to the response of the optics; measure the gain from pairs."""
    input:
        raw=ancient(
            plans.links(
                sets.frames_of_master, of="results/{project}/calibration/{master}.fits"
            )
        ),
        masters=plans.input(
            sets.masters_below, of="results/{project}/calibration/{master}.fits"
        ),
        newer=plans.newer("results/{project}/calibration/{master}.fits"),
    output:
        "results/{project}/calibration/{master}.fits",
    log:
        "results/{project}/logs/master_flat/{master}.log",
    benchmark:
        "results/{project}/benchmarks/master_flat/{master}.tsv"
    wildcard_constraints:
        master="flat_[A-Za-z0-9_-]+",
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=500,
    params:
        job=plans.job(master_job, "master"),
    script:
        "../scripts/master_flat.py"


if plans.shared:

    rule share_master:
        """Link a master that another project made of the same frames."""
        input:
            twin=plans.twin,
        output:
            "results/{shared}.fits",
        log:
            "results/logs/share_master/{shared}.log",
        benchmark:
            "results/benchmarks/share_master/{shared}.tsv"
        wildcard_constraints:
            shared=plans.shared_files,
        conda:
            "../envs/pipeline.yaml"
        threads: 1
        resources:
            mem_mb=200,
        params:
            job=plans.shared_job,
        script:
            "../scripts/share_master.py"

    ruleorder: share_master > master_bias
    ruleorder: share_master > master_dark
    ruleorder: share_master > master_flat


rule calibrate_sub:
    """Write one calibrated sub, if the project keeps them (`keep_subs`)."""
    input:
        raw=ancient(plans.links(sets.frame_of_sub)),
        masters=plans.input(sets.masters_of_sub),
        newer=plans.newer("results/{project}/calibrated/{channel}/{sub}.fits"),
        rays=plans.input(sets.rays_of_sub),
    output:
        "results/{project}/calibrated/{channel}/{sub}.fits",
    log:
        "results/{project}/logs/calibrate_sub/{channel}_{sub}.log",
    benchmark:
        "results/{project}/benchmarks/calibrate_sub/{channel}_{sub}.tsv"
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=1000,
    params:
        job=plans.job(calibrate_job, "sub"),
    script:
        "../scripts/calibrate_sub.py"
