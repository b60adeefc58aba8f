"""What moves and what changes from sub to sub.

Reads   links/<light>, calibration/<master>.fits, cosmic_rays/<channel>/<night>.fits,
        registration/<channel>.fits, field/solution.fits.
Writes  moved/blink/<channel>.fits: display values of frames, one a sub or a bin in time;
        moved/blink/<channel>.webp, .png: the same as animations.
Steps   calibrate and resample each used sub, reduce it, combine those of a bin, stretch all frames
        alike; write the time, directions and scale below each frame and encode them.
"""

from platefiles.plan.blink_jobs import draw_blink_job, encode_blink_job
from platefiles.rule_inputs import sets


rule draw_blink:
    """Draw the subs of a channel as frames of equal stretch."""
    input:
        raw=ancient(
            plans.links(
                sets.frames_of_channel,
                of="results/{project}/moved/blink/{channel}.fits",
            )
        ),
        masters=plans.input(
            sets.masters_of_channel, of="results/{project}/moved/blink/{channel}.fits"
        ),
        registration=plans.input(
            "results/{project}/registration/{channel}.fits",
            of="results/{project}/moved/blink/{channel}.fits",
        ),
        newer=plans.newer("results/{project}/moved/blink/{channel}.fits"),
        rays=plans.input(
            sets.rays_of_channel, of="results/{project}/moved/blink/{channel}.fits"
        ),
        solution=plans.input(
            "results/{project}/field/solution.fits",
            of="results/{project}/moved/blink/{channel}.fits",
        ),
    output:
        "results/{project}/moved/blink/{channel}.fits",
    log:
        "results/{project}/logs/draw_blink/{channel}.log",
    benchmark:
        "results/{project}/benchmarks/draw_blink/{channel}.tsv"
    conda:
        "../envs/pipeline.yaml"
    threads: 4
    resources:
        mem_mb=1200,
    params:
        job=plans.job(draw_blink_job, "channel"),
    script:
        "../scripts/draw_blink.py"


rule encode_blink:
    """Encode the frames of a channel as an animation."""
    input:
        frames=plans.input(
            "results/{project}/moved/blink/{channel}.fits",
            of="results/{project}/moved/blink/{channel}.{ending}",
        ),
        newer=plans.newer("results/{project}/moved/blink/{channel}.{ending}"),
    output:
        "results/{project}/moved/blink/{channel}.{ending}",
    log:
        "results/{project}/logs/encode_blink/{channel}_{ending}.log",
    benchmark:
        "results/{project}/benchmarks/encode_blink/{channel}_{ending}.tsv"
    wildcard_constraints:
        ending="webp|png",
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=1000,
    params:
        job=plans.job(encode_blink_job, "channel"),
    script:
        "../scripts/encode_blink.py"


rule blink:
    """Make the animations of the subs of all channels."""
    input:
        plans.files(sets.animations),
