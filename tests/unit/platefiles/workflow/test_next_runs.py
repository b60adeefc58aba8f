import pytest

from platefiles.workflow.graph import products_of
from platefiles.workflow.next_runs import NextRuns, another_night


def test_another_night_adds_a_sub_to_each_channel(plan_of):
    """Each channel has one more night, with the masters of its last sub; old nights stay."""
    plan = plan_of()
    more = another_night(plan)
    now, then = products_of(plan), products_of(more)
    new = {path for path in then if path not in now and "/cosmic_rays/" not in path}
    folders = ("measures", "registration")
    assert new == {
        f"{plan.results}/{folder}/{channel}/9999-12-31.fits"
        for folder in folders
        for channel in plan.channels
    }
    for channel in plan.channels:
        assert len(more.lights(channel)) == len(plan.lights(channel)) + 1
        assert more.masters_of(more.lights(channel)[-1:]) == plan.masters_of(
            plan.lights(channel)[-1:]
        )
        for night in plan.nights(channel):
            path = plan.paths.measures(channel, night)
            assert then[path].job == now[path].job


@pytest.mark.parametrize("target", ["picture", "channel"])
def test_before_a_run_nothing_more_is_made(plan_of, tmp_path, monkeypatch, target):
    """A run that makes everything makes nothing more because a file is missing."""
    monkeypatch.chdir(tmp_path)
    plan = plan_of()
    products = products_of(plan)
    runs = NextRuns(plan, products)
    paths = [plan.paths.channel("g")] if target == "channel" else list(products)
    assert runs.nothing_new(paths) == runs.another_night(paths) == []
