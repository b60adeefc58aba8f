"""One image of each channel.

Reads   links/<light>, calibration/<master>.fits, measures/<channel>/<night>.fits,
        registration/<channel>/<night>.fits, registration/<channel>.fits, field/solution.fits.
Writes  cosmic_rays/<channel>/<night>.fits for few subs, nights/<channel>/<night>.fits,
        channels/<channel>.fits, subs.tsv.
Steps   find cosmic rays on single subs, if there are too few to compare; calibrate, resample, reject
        and average tile by tile, each night once; merge the nights; list the state of each sub.
"""

from platefiles.plan.calibration_jobs import cosmic_rays_job
from platefiles.plan.channel_jobs import integrate_job, integrate_night_job, subs_job
from platefiles.rule_inputs import sets


rule find_cosmic_rays:
    """Find cosmic rays on each single sub of one channel and night."""
    input:
        raw=ancient(
            plans.links(
                sets.frames_of_night,
                of="results/{project}/cosmic_rays/{channel}/{night}.fits",
            )
        ),
        masters=plans.input(
            sets.masters_of_night,
            of="results/{project}/cosmic_rays/{channel}/{night}.fits",
        ),
        measures=plans.for_nights(
            "results/{project}/measures/{channel}/{night}.fits",
            of="results/{project}/cosmic_rays/{channel}/{night}.fits",
        ),
        newer=plans.newer("results/{project}/cosmic_rays/{channel}/{night}.fits"),
    output:
        "results/{project}/cosmic_rays/{channel}/{night}.fits",
    log:
        "results/{project}/logs/find_cosmic_rays/{channel}_{night}.log",
    benchmark:
        "results/{project}/benchmarks/find_cosmic_rays/{channel}_{night}.tsv"
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=plans.memory.rays,
    params:
        job=plans.job(cosmic_rays_job, "channel", "night"),
    script:
        "../scripts/find_cosmic_rays.py"


rule integrate_night:
    """Integrate the subs of a channel's night: weighted mean after rejection."""
    input:
        raw=ancient(
            plans.links(
                sets.frames_of_night,
                of="results/{project}/nights/{channel}/{night}.fits",
            )
        ),
        masters=plans.input(
            sets.masters_of_night,
            of="results/{project}/nights/{channel}/{night}.fits",
        ),
        registration=plans.input(
            "results/{project}/registration/{channel}/{night}.fits",
            of="results/{project}/nights/{channel}/{night}.fits",
        ),
        newer=plans.newer("results/{project}/nights/{channel}/{night}.fits"),
        rays=plans.input(
            sets.rays_of_night, of="results/{project}/nights/{channel}/{night}.fits"
        ),
    output:
        "results/{project}/nights/{channel}/{night}.fits",
    log:
        "results/{project}/logs/integrate_night/{channel}_{night}.log",
    benchmark:
        "results/{project}/benchmarks/integrate_night/{channel}_{night}.tsv"
    conda:
        "../envs/pipeline.yaml"
    threads: 4
    resources:
        mem_mb=plans.memory.integrate_night,
    params:
        job=plans.job(integrate_night_job, "channel", "night"),
    script:
        "../scripts/integrate_night.py"


rule integrate:
    """Integrate the subs of a channel, or merge its nights: weighted mean after rejection."""
    input:
        raw=ancient(
            plans.links(
                sets.merged_frames, of="results/{project}/channels/{channel}.fits"
            )
        ),
        masters=plans.input(
            sets.merged_masters, of="results/{project}/channels/{channel}.fits"
        ),
        registration=plans.input(
            "results/{project}/registration/{channel}.fits",
            of="results/{project}/channels/{channel}.fits",
        ),
        newer=plans.newer("results/{project}/channels/{channel}.fits"),
        rays=plans.input(
            sets.merged_rays, of="results/{project}/channels/{channel}.fits"
        ),
        nights=plans.for_nights(
            "results/{project}/nights/{channel}/{night}.fits",
            of="results/{project}/channels/{channel}.fits",
            among=sets.nights_alone,
        ),
        solution=plans.input(
            "results/{project}/field/solution.fits",
            of="results/{project}/channels/{channel}.fits",
        ),
    output:
        "results/{project}/channels/{channel}.fits",
    log:
        "results/{project}/logs/integrate/{channel}.log",
    benchmark:
        "results/{project}/benchmarks/integrate/{channel}.tsv"
    conda:
        "../envs/pipeline.yaml"
    threads: 8
    resources:
        mem_mb=plans.memory.integrate,
    params:
        job=plans.job(integrate_job, "channel"),
    script:
        "../scripts/integrate.py"


rule list_subs:
    """List every light with its state, quality and weight."""
    input:
        registrations=plans.for_channels(
            "results/{project}/registration/{channel}.fits",
            of="results/{project}/subs.tsv",
        ),
        channels=plans.for_channels(
            "results/{project}/channels/{channel}.fits",
            of="results/{project}/subs.tsv",
        ),
        newer=plans.newer("results/{project}/subs.tsv"),
    output:
        report(
            "results/{project}/subs.tsv",
            caption="captions/subs.rst",
            category="{project}",
        ),
    log:
        "results/{project}/logs/list_subs.log",
    benchmark:
        "results/{project}/benchmarks/list_subs.tsv"
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=500,
    params:
        job=plans.job(subs_job),
    script:
        "../scripts/list_subs.py"


rule channels:
    """Make the integrated channels and the table of subs."""
    input:
        plans.files("results/{project}/channels/{channel}.fits"),
        plans.files("results/{project}/subs.tsv"),
        plans.files(sets.kept_subs),
