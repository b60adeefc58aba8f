"""One image of each channel.

Reads   links/<light>, calibration/<master>.fits, registration/<channel>.fits.
Writes  channels/<channel>.fits, subs.tsv.
Steps   calibrate, resample, clip and average band by band; list what became of each sub.
"""


rule integrate:
    """Integrate the subs of a channel: clipped, weighted mean with its variance."""
    input:
        raw=ancient(plans.channel_frames),
        masters=plans.channel_masters,
        registration=plans.registration,
        anew=plans.anew("results/{project}/channels/{channel}.fits"),
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
        mem_mb=plans.integrate_mem_mb,
    params:
        job=plans.integrate_job,
    script:
        "../scripts/integrate.py"


rule tabulate_subs:
    """List every light with its state, quality and weight."""
    input:
        registrations=plans.registrations,
        channels=plans.integrations,
        anew=plans.anew("results/{project}/subs.tsv"),
    output:
        report(
            "results/{project}/subs.tsv",
            caption="captions/subs.rst",
            category="{project}",
        ),
    log:
        "results/{project}/logs/tabulate_subs.log",
    benchmark:
        "results/{project}/benchmarks/tabulate_subs.tsv"
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=500,
    params:
        job=plans.subs_job,
    script:
        "../scripts/tabulate_subs.py"
