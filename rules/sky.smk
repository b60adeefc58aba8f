"""Gradient subtraction, PSF matching and continuum subtraction.

Reads   channels/<channel>.fits.
Writes  sky/<channel>.fits, seeing.tsv; if the recipe uses them, matched/<channel>.fits and
        lines/<channel>.fits.
Steps   model the sky between stars and galaxies; list the FWHM of stars; convolve channels to the
        widest PSF; subtract the continuum from narrowband channels.
"""

from platefiles.plan.mapped_jobs import line_job, match_job, seeing_job, sky_job
from platefiles.rule_inputs import sets


rule subtract_gradient:
    """Model the sky of a channel as a smooth surface, and list its stars."""
    input:
        channel=plans.input(
            "results/{project}/channels/{channel}.fits",
            of="results/{project}/sky/{channel}.fits",
        ),
        newer=plans.newer("results/{project}/sky/{channel}.fits"),
    output:
        "results/{project}/sky/{channel}.fits",
    log:
        "results/{project}/logs/subtract_gradient/{channel}.log",
    benchmark:
        "results/{project}/benchmarks/subtract_gradient/{channel}.tsv"
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=plans.memory.sky,
    params:
        job=plans.job(sky_job, "channel"),
    script:
        "../scripts/subtract_gradient.py"


rule list_seeing:
    """List the FWHM of the stars of each channel."""
    input:
        skies=plans.for_channels(
            "results/{project}/sky/{channel}.fits", of="results/{project}/seeing.tsv"
        ),
        newer=plans.newer("results/{project}/seeing.tsv"),
    output:
        report(
            "results/{project}/seeing.tsv",
            caption="captions/seeing.rst",
            category="{project}",
        ),
    log:
        "results/{project}/logs/list_seeing.log",
    benchmark:
        "results/{project}/benchmarks/list_seeing.tsv"
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=500,
    params:
        job=plans.job(seeing_job),
    script:
        "../scripts/list_seeing.py"


rule match_channel:
    """Convolve a channel to the widest PSF."""
    input:
        channels=plans.for_channels(
            "results/{project}/channels/{channel}.fits",
            of="results/{project}/matched/{channel}.fits",
            among=sets.matched_channels,
        ),
        skies=plans.for_channels(
            "results/{project}/sky/{channel}.fits",
            of="results/{project}/matched/{channel}.fits",
            among=sets.matched_channels,
        ),
        newer=plans.newer("results/{project}/matched/{channel}.fits"),
    output:
        "results/{project}/matched/{channel}.fits",
    log:
        "results/{project}/logs/match_channel/{channel}.log",
    benchmark:
        "results/{project}/benchmarks/match_channel/{channel}.tsv"
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=plans.memory.match,
    params:
        job=plans.job(match_job, "channel"),
    script:
        "../scripts/match_channel.py"


rule subtract_continuum:
    """Subtract the continuum from a narrowband channel, by a broadband channel."""
    input:
        channels=plans.input(
            sets.line_images, of="results/{project}/lines/{channel}.fits"
        ),
        skies=plans.for_channels(
            "results/{project}/sky/{channel}.fits",
            of="results/{project}/lines/{channel}.fits",
            among=sets.line_pair,
        ),
        newer=plans.newer("results/{project}/lines/{channel}.fits"),
    output:
        "results/{project}/lines/{channel}.fits",
    log:
        "results/{project}/logs/subtract_continuum/{channel}.log",
    benchmark:
        "results/{project}/benchmarks/subtract_continuum/{channel}.tsv"
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=plans.memory.line,
    params:
        job=plans.job(line_job, "channel"),
    script:
        "../scripts/subtract_continuum.py"
