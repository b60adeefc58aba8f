"""Channels to pictures.

Reads   channels/<channel>.fits and sky/<channel>.fits; matched/ or lines/<channel>.fits if the
        recipe uses them; field/solution.fits.
Writes  picture/<picture>.fits, the linear image; picture/<picture>.display.fits, its display values;
        picture/<picture>.png, .tif, .jpg; contact_sheet.png.
Steps   map channels to colours, make the sky grey, balance the colours; stretch; encode; draw the
        contact sheet.
"""

from platefiles.plan.picture_jobs import (
    draw_picture_job,
    encode_picture_job,
    linear_image_job,
    sheet_job,
)
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
    """Stretch the linear image into the display values of a picture."""
    input:
        linear_image=plans.input(
            "results/{project}/picture/{picture}.fits",
            of="results/{project}/picture/{picture}.display.fits",
        ),
        crop=plans.crop,
        newer=plans.newer("results/{project}/picture/{picture}.display.fits"),
    output:
        "results/{project}/picture/{picture}.display.fits",
    log:
        "results/{project}/logs/draw_picture/{picture}.log",
    benchmark:
        "results/{project}/benchmarks/draw_picture/{picture}.tsv"
    conda:
        "../envs/pipeline.yaml"
    threads: 8
    resources:
        mem_mb=plans.memory.draw,
    params:
        job=plans.job(draw_picture_job, "picture"),
    script:
        "../scripts/draw_picture.py"


rule encode_picture:
    """Encode the display values as a picture file."""
    input:
        display=plans.input(
            "results/{project}/picture/{picture}.display.fits",
            of="results/{project}/picture/{picture}.{ending}",
        ),
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
        "results/{project}/logs/encode_picture/{picture}_{ending}.log",
    benchmark:
        "results/{project}/benchmarks/encode_picture/{picture}_{ending}.tsv"
    wildcard_constraints:
        ending=r"png|jpg|[0-9]+px\.jpg",
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=1000,
    params:
        job=plans.job(encode_picture_job, "picture"),
    script:
        "../scripts/encode_picture.py"


# Too large for the report, which holds what it shows.
use rule encode_picture as encode_picture_tiff with:
    input:
        display=plans.input(
            "results/{project}/picture/{picture}.display.fits",
            of="results/{project}/picture/{picture}.tif",
        ),
        linear_image=plans.input(
            "results/{project}/picture/{picture}.fits",
            of="results/{project}/picture/{picture}.tif",
        ),
        newer=plans.newer("results/{project}/picture/{picture}.tif"),
    output:
        "results/{project}/picture/{picture}.tif",
    log:
        "results/{project}/logs/encode_picture/{picture}_tif.log",
    benchmark:
        "results/{project}/benchmarks/encode_picture/{picture}_tif.tsv"


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
        displays=plans.input(
            sets.shown_display_images, of="results/{project}/contact_sheet.png"
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
        mem_mb=plans.memory.sheet,
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
