import math

import pytest

from platecli.execution.workload import MakingTime, making_time, workload
from platecli.text.outlook import look_ahead
from platefiles.workflow.open_project import open_projects

HEAD = "s\th:m:s\tmax_rss\tmax_vms\tmax_uss\tmax_pss\tio_in\tio_out\tmean_load\tcpu_time\n"


@pytest.fixture
def outlook(tiny_raw, write_project, tmp_path, monkeypatch):
    """Return the outlook of the tiny set before its first run."""
    monkeypatch.chdir(tmp_path)
    path = write_project(tmp_path / "projects" / "tiny.yaml", tiny_raw)
    plans, _ = open_projects([str(path)], tmp_path, True, dry_run=True)
    return look_ahead(plans["tiny"], "all")


def note(outlook, path, line):
    """Write the benchmark file of the job of a product."""
    product = outlook.products[path]
    place = outlook.plan.loaded.path.parents[1] / product.benchmark
    place.parent.mkdir(parents=True, exist_ok=True)
    place.write_text(HEAD + line, encoding="utf-8")


def test_costs_follow_frames_and_pixels(outlook):
    """More frames cost more, whole images by their pixels; each job waits for what it needs."""
    work = workload([outlook], 3)
    assert set(work.jobs) == {product.path for product in outlook.to_make}
    assert work.cores == 3
    jobs = work.jobs
    ha, night = jobs["results/tiny/channels/ha.fits"], "results/tiny/measures/ha/2026-03-23.fits"
    assert (ha.rule, ha.threads) == ("integrate", 8)
    assert "results/tiny/registration/ha.fits" in ha.after
    assert ha.cost_s - 0.2 == pytest.approx(0.015 * 8 * 320 * 240 / 1e6)
    assert jobs[night].cost_s - 0.2 == pytest.approx(0.005 * 4 * 320 * 240 / 1e6)
    assert work.factors == {}


def test_earlier_runs_tell_the_rates(outlook):
    """The benchmark files of a rule's jobs give its factor: time taken over expected cost."""
    note(
        outlook, "results/tiny/measures/ha/2026-03-23.fits", "2.0\t0:00:02" + "\t1" * 7 + "\t9.0\n"
    )
    note(outlook, "results/tiny/measures/g/2026-03-24.fits", "4.0\t0:00:04" + "\t1" * 7 + "\t3.0\n")
    note(
        outlook,
        "results/tiny/registration/g/2026-03-23.fits",
        "1.5\t0:00:01" + "\t1" * 7 + "\t9.0\n",
    )
    work = workload([outlook], 4)
    measure = work.jobs["results/tiny/measures/ha/2026-03-23.fits"].cost_s
    register = work.jobs["results/tiny/registration/g/2026-03-23.fits"].cost_s
    # A job with several threads occupies all of them for its time, or longer if it had more.
    assert work.jobs["results/tiny/measures/ha/2026-03-23.fits"].threads == 4
    assert work.factors == pytest.approx(
        {"measure_stars": (9.0 + 4 * 4.0) / (2 * measure), "register": 1.5 / register}
    )


@pytest.mark.parametrize(
    "line", ["", "x\ty\n", "nan\t-\n", "-1\t0:00:00" + "\t1" * 8 + "\n", "1\n"]
)
def test_odd_benchmark_files_are_passed_over(outlook, line):
    """What is no time of a job is as good as no file."""
    note(outlook, "results/tiny/measures/ha/2026-03-23.fits", line)
    assert workload([outlook], 4).factors == {}


def test_time_to_make_again_follows_earlier_jobs(outlook):
    """Jobs of a timed rule take what such jobs took, on the processors; other rules are named."""
    plan, products = outlook.plan, outlook.products
    masters = [one for one in products.values() if one.rule == "master_flat"]
    measures = [one for one in products.values() if one.rule == "measure_stars"]
    unknown = making_time(plan, products, masters, 2)
    assert math.isnan(unknown.seconds)
    assert unknown.untimed == ("master_flat",)
    assert making_time(plan, products, [], 2) == MakingTime(0.0)
    for one in masters:
        note(outlook, one.path, "3.0\t0:00:03" + "\t1" * 7 + "\t3.0\n")
    assert making_time(plan, products, masters, 1).seconds == pytest.approx(3.0 * len(masters))
    several = making_time(plan, products, [*masters, *measures], 2)
    assert several.untimed == ("measure_stars",)
    assert several.seconds == pytest.approx(1.5 * len(masters))
