"""Astrometry, photometry, depth and sources of the field.

Reads   links/<light>, measures/<channel>/<night>.fits, the lock file; a catalogue of stars;
        registration/<channel>.fits, channels/<channel>.fits; picture/<recipe>.fits and its display
        values, picture/<recipe>.display.fits; the user's images.
Writes  field/solution.fits: astrometric solution of the grid; field/zero_points.fits: zero points of
        the channels, transparency of each sub, extinction of each night; field/depth.fits: limiting
        magnitudes; field/sources.fits, .ecsv, .csv, .vot, .reg: sources; field/annotated.png, .svg:
        the picture with annotations, and the annotations alone; field/overlay_<image>.png: other
        images beside the picture.
Steps   match the stars of the grid with the catalogue and fit world coordinates, or give the reason
        for failure; compare fluxes with the catalogue; measure the noise of empty sky and inject
        stars; find sources, classify them, match them with catalogues; draw them over the picture.
"""

from platefiles.plan.field_jobs import (
    annotation_job,
    depth_job,
    lists_job,
    overlay_job,
    sources_job,
    zero_points_job,
)
from platefiles.plan.grid_jobs import solution_job
from platefiles.rule_inputs import sets


rule solve_astrometry:
    """Solve the astrometry of the grid from its stars; refuse ambiguous matches."""
    input:
        raw=ancient(plans.grid_frame),
        measures=plans.grid_measures(of="results/{project}/field/solution.fits"),
        lock=plans.lock,
        newer=plans.newer("results/{project}/field/solution.fits"),
        catalogue=plans.user_file(sets.star_catalogue),
    output:
        "results/{project}/field/solution.fits",
    log:
        "results/{project}/logs/solve_astrometry.log",
    benchmark:
        "results/{project}/benchmarks/solve_astrometry.tsv"
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=500,
    params:
        job=plans.job(solution_job),
    script:
        "../scripts/solve_astrometry.py"


rule find_zero_points:
    """Measure zero points, transparency, sky brightness and extinction with catalogue stars."""
    input:
        solution=plans.input(
            "results/{project}/field/solution.fits",
            of="results/{project}/field/zero_points.fits",
        ),
        channels=plans.for_channels(
            "results/{project}/channels/{channel}.fits",
            of="results/{project}/field/zero_points.fits",
        ),
        registrations=plans.for_channels(
            "results/{project}/registration/{channel}.fits",
            of="results/{project}/field/zero_points.fits",
        ),
        measures=plans.for_nights(
            "results/{project}/measures/{channel}/{night}.fits",
            of="results/{project}/field/zero_points.fits",
        ),
        newer=plans.newer("results/{project}/field/zero_points.fits"),
    output:
        "results/{project}/field/zero_points.fits",
    log:
        "results/{project}/logs/find_zero_points.log",
    benchmark:
        "results/{project}/benchmarks/find_zero_points.tsv"
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=1000,
    params:
        job=plans.job(zero_points_job),
    script:
        "../scripts/find_zero_points.py"


rule measure_depth:
    """Measure the depth of the channels, its growth, and the gain of more exposure."""
    input:
        solution=plans.input(
            "results/{project}/field/solution.fits",
            of="results/{project}/field/depth.fits",
        ),
        zero_points=plans.input(
            "results/{project}/field/zero_points.fits",
            of="results/{project}/field/depth.fits",
        ),
        channels=plans.for_channels(
            "results/{project}/channels/{channel}.fits",
            of="results/{project}/field/depth.fits",
        ),
        registrations=plans.for_channels(
            "results/{project}/registration/{channel}.fits",
            of="results/{project}/field/depth.fits",
        ),
        measures=plans.for_nights(
            "results/{project}/measures/{channel}/{night}.fits",
            of="results/{project}/field/depth.fits",
        ),
        newer=plans.newer("results/{project}/field/depth.fits"),
    output:
        "results/{project}/field/depth.fits",
    log:
        "results/{project}/logs/measure_depth.log",
    benchmark:
        "results/{project}/benchmarks/measure_depth.tsv"
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=plans.memory.search,
    params:
        job=plans.job(depth_job),
    script:
        "../scripts/measure_depth.py"


rule identify_sources:
    """Find stars and extended sources, and match them with catalogues."""
    input:
        solution=plans.input(
            "results/{project}/field/solution.fits",
            of="results/{project}/field/sources.fits",
        ),
        depth=plans.input(
            "results/{project}/field/depth.fits",
            of="results/{project}/field/sources.fits",
        ),
        channels=plans.for_channels(
            "results/{project}/channels/{channel}.fits",
            of="results/{project}/field/sources.fits",
        ),
        objects=plans.user_file(sets.object_list),
        newer=plans.newer("results/{project}/field/sources.fits"),
    output:
        "results/{project}/field/sources.fits",
    log:
        "results/{project}/logs/identify_sources.log",
    benchmark:
        "results/{project}/benchmarks/identify_sources.tsv"
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=plans.memory.search,
    params:
        job=plans.job(sources_job),
    script:
        "../scripts/identify_sources.py"


rule list_sources:
    """Write the sources as a table for other programs."""
    input:
        sources=plans.input(
            "results/{project}/field/sources.fits",
            of="results/{project}/field/sources.{ending}",
        ),
        newer=plans.newer("results/{project}/field/sources.{ending}"),
    output:
        "results/{project}/field/sources.{ending}",
    log:
        "results/{project}/logs/list_sources/{ending}.log",
    benchmark:
        "results/{project}/benchmarks/list_sources/{ending}.tsv"
    wildcard_constraints:
        ending="ecsv|csv|vot|reg",
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=500,
    params:
        job=plans.job(lists_job),
    script:
        "../scripts/list_sources.py"


rule annotate:
    """Draw graticule, compass, objects and stars over the picture, or alone."""
    input:
        display=plans.input(
            sets.shown_display_image, of="results/{project}/field/annotated.{ending}"
        ),
        linear_image=plans.input(
            sets.shown_linear_image, of="results/{project}/field/annotated.{ending}"
        ),
        solution=plans.input(
            "results/{project}/field/solution.fits",
            of="results/{project}/field/annotated.{ending}",
        ),
        sources=plans.input(
            "results/{project}/field/sources.fits",
            of="results/{project}/field/annotated.{ending}",
        ),
        newer=plans.newer("results/{project}/field/annotated.{ending}"),
    output:
        "results/{project}/field/annotated.{ending}",
    log:
        "results/{project}/logs/annotate/{ending}.log",
    benchmark:
        "results/{project}/benchmarks/annotate/{ending}.tsv"
    wildcard_constraints:
        ending="png|svg",
    conda:
        "../envs/pipeline.yaml"
    threads: 2
    resources:
        mem_mb=plans.memory.annotate,
    params:
        job=plans.job(annotation_job),
    script:
        "../scripts/annotate.py"


rule overlay:
    """Show another image of the same sky beside the picture and blended with it."""
    input:
        display=plans.input(
            sets.shown_display_image, of="results/{project}/field/overlay_{image}.png"
        ),
        linear_image=plans.input(
            sets.shown_linear_image, of="results/{project}/field/overlay_{image}.png"
        ),
        image=plans.user_file(sets.overlaid_image),
        newer=plans.newer("results/{project}/field/overlay_{image}.png"),
    output:
        "results/{project}/field/overlay_{image}.png",
    log:
        "results/{project}/logs/overlay/{image}.log",
    benchmark:
        "results/{project}/benchmarks/overlay/{image}.tsv"
    wildcard_constraints:
        image="[a-z0-9][a-z0-9_-]*",
    conda:
        "../envs/pipeline.yaml"
    threads: 2
    resources:
        mem_mb=plans.memory.overlay,
    params:
        job=plans.job(overlay_job, "image"),
    script:
        "../scripts/overlay.py"


rule field:
    """Make all products of the field."""
    input:
        plans.files("results/{project}/field/solution.fits"),
        plans.files("results/{project}/field/zero_points.fits"),
        plans.files("results/{project}/field/depth.fits"),
        plans.files("results/{project}/field/sources.fits"),
        plans.files(sets.source_lists),
        plans.files(sets.annotated_files),
        plans.files(sets.overlay_files),
