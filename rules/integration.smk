"""One image of each channel.

Reads   links/<light>, calibration/<master>.fits, measures/<channel>/<night>.fits,
        registration/<channel>.fits, field/solution.fits.
Writes  cosmic_rays/<channel>/<night>.fits where subs are few, channels/<channel>.fits, subs.tsv.
Steps   find cosmic rays sub by sub where there are too few to compare; calibrate, resample, clip
        and average tile by tile; list what became of each sub.
"""


rule find_cosmic_rays:
    """Find cosmic rays on each sub of one channel and night by itself."""
    input:
        raw=ancient(plans.night_frames),
        masters=plans.rays_masters,
        measures=plans.rays_measures,
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
        mem_mb=1500,
    params:
        job=plans.cosmic_rays_job,
    script:
        "../scripts/find_cosmic_rays.py"


rule integrate:
    """Integrate the subs of a channel: clipped, weighted mean with its variance."""
    input:
        raw=ancient(plans.channel_frames),
        masters=plans.channel_masters,
        registration=plans.registration,
        newer=plans.newer("results/{project}/channels/{channel}.fits"),
        rays=plans.channel_rays,
        solution=plans.channel_solution,
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
        newer=plans.newer("results/{project}/subs.tsv"),
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
