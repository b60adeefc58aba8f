"""What is in the field.

Reads   links/<light>, measures/<channel>/<night>.fits, the lock file; a catalogue of stars;
        registration/<channel>.fits, channels/<channel>.fits.
Writes  field/solution.fits: the place of the grid on the sky; field/zero_points.fits: magnitudes of
        the channels, and what each sub saw of the night.
Steps   find the stars of the grid in the catalogue and fit world coordinates to them, or say why not;
        compare their light with the catalogue.
"""


rule place_on_sky:
    """Place the grid on the sky by its stars; refuse where that would be a guess."""
    input:
        raw=ancient(plans.grid_frame),
        measures=plans.grid_measures,
        lock=plans.grid_lock,
        anew=plans.anew("results/{project}/field/solution.fits"),
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
        anew=plans.anew("results/{project}/field/zero_points.fits"),
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
