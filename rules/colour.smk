"""From channels to the picture.

Reads   channels/<channel>.fits and sky/<channel>.fits; matched/ or lines/<channel>.fits where a
        recipe wants these; field/solution.fits.
Writes  picture/<recipe>.fits, the linear colour cube, and picture/<recipe>.png, .tif, .jpg.
Steps   blend channels into colours, neutralise the sky, balance; stretch and encode.
"""


rule map_channels:
    """Blend channels into output colours; take the sky off; balance the colours."""
    input:
        channels=plans.mapped,
        solution=plans.solution,
        skies=plans.mapped_skies,
        anew=plans.anew("results/{project}/picture/{recipe}.fits"),
    output:
        "results/{project}/picture/{recipe}.fits",
    log:
        "results/{project}/logs/map_channels/{recipe}.log",
    benchmark:
        "results/{project}/benchmarks/map_channels/{recipe}.tsv"
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=2000,
    params:
        job=plans.cube_job,
    script:
        "../scripts/map_channels.py"


rule composite:
    """Stretch the linear cube into a picture file."""
    input:
        cube=plans.cube,
        anew=plans.anew("results/{project}/picture/{recipe}.{ending}"),
    output:
        report(
            "results/{project}/picture/{recipe}.{ending}",
            caption="captions/picture.rst",
            category="{project}",
        ),
    log:
        "results/{project}/logs/composite/{recipe}_{ending}.log",
    benchmark:
        "results/{project}/benchmarks/composite/{recipe}_{ending}.tsv"
    wildcard_constraints:
        ending="png|jpg",
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=2000,
    params:
        job=plans.composite_job,
    script:
        "../scripts/composite.py"


# Too large for the report, which holds what it shows.
use rule composite as composite_tiff with:
    input:
        cube=plans.cube,
        anew=plans.anew("results/{project}/picture/{recipe}.tif"),
    output:
        "results/{project}/picture/{recipe}.tif",
    log:
        "results/{project}/logs/composite/{recipe}_tif.log",
    benchmark:
        "results/{project}/benchmarks/composite/{recipe}_tif.tsv"
