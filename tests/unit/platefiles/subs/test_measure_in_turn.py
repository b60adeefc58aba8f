import pytest

from platefiles.subs.measure_in_turn import MOST_TOGETHER, groups_of


@pytest.mark.parametrize("threads", [1, 2, 3, 8])
@pytest.mark.parametrize("number", [0, 1, 2, 7, 10, 20, 41])
def test_subs_are_shared_out_evenly(number, threads):
    """All subs in their order; no thread has three subs more to measure than another."""
    files = [(f"{k}.fits", {}) for k in range(number)]
    groups = groups_of(files, threads)
    assert [file for group in groups for file in group] == files
    assert all(1 <= len(group) <= MOST_TOGETHER for group in groups)
    loads = [sum(map(len, groups[k::threads])) for k in range(threads)]
    assert max(loads) - min(loads) <= 2
    assert max(loads) <= -(-number // threads) + 1
