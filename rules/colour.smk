"""Channels to pictures.

Reads   channels/<channel>.fits and sky/<channel>.fits; matched/ or lines/<channel>.fits if the
        recipe uses them; field/solution.fits.
Writes  picture/<picture>.fits, the linear image, and picture/<picture>.png, .tif, .jpg;
        contact_sheet.png.
Steps   map channels to colours, make the sky grey, balance the colours; stretch and encode; draw
        the contact sheet.
"""

from platefiles.plan.picture_jobs import linear_image_job, draw_picture_job, sheet_job
from platefiles.rule_inputs import sets


rule map_channels:
    """Map channels to output colours; subtract the sky; balance the colours."""
    input:
        channels=plans.input(
            sets.mapped_images, of="results/{project}/picture/{picture}.fits"
        ),
        solution=plans.input(
            "results/{project}/field/solution.fits",
            of="results/{project}/picture/{picture}.fits",
        ),
        skies=plans.for_channels(
            "results/{project}/sky/{channel}.fits",
            of="results/{project}/picture/{picture}.fits",
            among=sets.uneven_channels,
        ),
        newer=plans.newer("results/{project}/picture/{picture}.fits"),
    output:
        "results/{project}/picture/{picture}.fits",
    log:
        "results/{project}/logs/map_channels/{picture}.log",
    benchmark:
        "results/{project}/benchmarks/map_channels/{picture}.tsv"
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=2000,
    params:
        job=plans.job(linear_image_job, "picture"),
    script:
        "../scripts/map_channels.py"


rule draw_picture:
    """Stretch the linear image into a picture file."""
    input:
        linear_image=plans.input(
            "results/{project}/picture/{picture}.fits",
            of="results/{project}/picture/{picture}.{ending}",
        ),
        newer=plans.newer("results/{project}/picture/{picture}.{ending}"),
    output:
        report(
            "results/{project}/picture/{picture}.{ending}",
            caption="captions/picture.rst",
            category="{project}",
        ),
    log:
        "results/{project}/logs/draw_picture/{picture}_{ending}.log",
    benchmark:
        "results/{project}/benchmarks/draw_picture/{picture}_{ending}.tsv"
    wildcard_constraints:
        ending=r"png|jpg|[0-9]+px\.jpg",
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=2000,
    params:
        job=plans.job(draw_picture_job, "picture"),
    script:
        "../scripts/draw_picture.py"


# Too large for the report, which holds what it shows.
use rule draw_picture as draw_picture_tiff with:
    input:
        linear_image=plans.input(
            "results/{project}/picture/{picture}.fits",
            of="results/{project}/picture/{picture}.tif",
        ),
        newer=plans.newer("results/{project}/picture/{picture}.tif"),
    output:
        "results/{project}/picture/{picture}.tif",
    log:
        "results/{project}/logs/draw_picture/{picture}_tif.log",
    benchmark:
        "results/{project}/benchmarks/draw_picture/{picture}_tif.tsv"


rule contact_sheet:
    """Show each channel alone with the same stretch, the sky models, and the pictures."""
    input:
        channels=plans.for_channels(
            "results/{project}/channels/{channel}.fits",
            of="results/{project}/contact_sheet.png",
        ),
        skies=plans.for_channels(
            "results/{project}/sky/{channel}.fits",
            of="results/{project}/contact_sheet.png",
        ),
        pictures=plans.input(
            sets.sheet_pictures, of="results/{project}/contact_sheet.png"
        ),
        newer=plans.newer("results/{project}/contact_sheet.png"),
    output:
        report(
            "results/{project}/contact_sheet.png",
            caption="captions/contact_sheet.rst",
            category="{project}",
        ),
    log:
        "results/{project}/logs/contact_sheet.log",
    benchmark:
        "results/{project}/benchmarks/contact_sheet.tsv"
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=2000,
    params:
        job=plans.job(sheet_job),
    script:
        "../scripts/contact_sheet.py"


rule picture:
    """Make the pictures."""
    input:
        plans.files(sets.picture_files),
        plans.files("results/{project}/contact_sheet.png"),
        plans.files("results/{project}/subs.tsv"),
        plans.files("results/{project}/seeing.tsv"),
