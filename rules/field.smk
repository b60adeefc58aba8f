"""What is in the field.

Reads   links/<light>, measures/<channel>/<night>.fits, the lock file; a catalogue of stars;
        registration/<channel>.fits, channels/<channel>.fits, picture/<recipe>.png; images of the
        user's.
Writes  field/solution.fits: the place of the grid on the sky; field/zero_points.fits: magnitudes of
        the channels, and what each sub saw of the night; field/depth.fits: how deep they are;
        field/sources.fits, .ecsv, .csv, .vot, .reg: what is in the field; field/annotated.png, .svg:
        the picture with names, and these alone; field/overlay_<image>.png: other images beside it.
Steps   find the stars of the grid in the catalogue and fit world coordinates to them, or say why not;
        compare their light with the catalogue; measure the noise of empty sky and inject stars; find
        sources, tell stars from extended ones, look them up in catalogues; draw them over the picture.
"""


rule place_on_sky:
    """Place the grid on the sky by its stars; refuse where that would be a guess."""
    input:
        raw=ancient(plans.grid_frame),
        measures=plans.grid_measures,
        lock=plans.grid_lock,
        newer=plans.newer("results/{project}/field/solution.fits"),
        catalogue=plans.star_catalogue,
    output:
        "results/{project}/field/solution.fits",
    log:
        "results/{project}/logs/place_on_sky.log",
    benchmark:
        "results/{project}/benchmarks/place_on_sky.tsv"
    conda:
        "../envs/pipeline.yaml"
    threads: 1
    resources:
        mem_mb=500,
    params:
        job=plans.solution_job,
    script:
        "../scripts/place_on_sky.py"


rule find_zero_points:
    """Compare stars with the catalogue: zero points, transparency, sky and extinction."""
    input:
        solution=plans.measured_solution,
        channels=plans.measured_channels,
        registrations=plans.measured_registrations,
        measures=plans.all_measures,
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
        job=plans.zero_points_job,
    script:
        "../scripts/find_zero_points.py"


rule measure_depth:
    """Measure how deep the channels are, how that grew, and what more hours would buy."""
    input:
        solution=plans.deep_solution,
        zero_points=plans.deep_zero_points,
        channels=plans.deep_channels,
        registrations=plans.deep_registrations,
        measures=plans.deep_measures,
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
        mem_mb=plans.search_mem_mb,
    params:
        job=plans.depth_job,
    script:
        "../scripts/measure_depth.py"


rule identify_sources:
    """Find stars and extended sources, and which of them catalogues know."""
    input:
        solution=plans.searched_solution,
        depth=plans.searched_depth,
        channels=plans.searched_channels,
        objects=plans.object_list,
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
        mem_mb=plans.search_mem_mb,
    params:
        job=plans.sources_job,
    script:
        "../scripts/identify_sources.py"


rule list_sources:
    """Write the sources as a list that other programs read."""
    input:
        sources=plans.listed_sources,
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
        job=plans.lists_job,
    script:
        "../scripts/list_sources.py"


rule annotate:
    """Draw grid, directions, objects and stars over the picture, or alone."""
    input:
        picture=plans.annotated_picture,
        cube=plans.annotated_cube,
        solution=plans.annotated_solution,
        sources=plans.annotated_sources,
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
    threads: 1
    resources:
        mem_mb=plans.annotate_mem_mb,
    params:
        job=plans.annotation_job,
    script:
        "../scripts/annotate.py"


rule overlay:
    """Show another image of the same sky beside the picture and blended with it."""
    input:
        picture=plans.overlaid_picture,
        cube=plans.overlaid_cube,
        image=plans.overlaid_image,
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
    threads: 1
    resources:
        mem_mb=plans.overlay_mem_mb,
    params:
        job=plans.overlay_job,
    script:
        "../scripts/overlay.py"
