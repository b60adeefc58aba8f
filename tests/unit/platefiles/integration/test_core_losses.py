from platecli.text.summary import core_lines
from platefiles.integration.core_losses import core_loss


def _row(name="a.fits", cores="0.05", low="0.001", high="0.002", stars="300"):
    shares = {"cores_rejected": cores, "clipped_low": low, "clipped_high": high}
    return {"name": name, "star_cores": stars, **shares}


def test_sub_that_lost_star_cores_is_named_with_both_shares():
    """More than 2 % of the core pixels beyond the share of all pixels is told."""
    said = core_loss(_row())
    assert said is not None
    assert said.startswith(
        "a.fits: 5.0 % of the pixels of its 300 star cores are rejected, 0.3 % of all"
    )
    assert "clip_tolerance" in said


def test_trail_across_the_field_is_not_taken_for_lost_cores():
    """A sub that loses as many pixels elsewhere as on stars is not named."""
    assert core_loss(_row(cores="0.026", high="0.016")) is None
    assert core_loss(_row(cores="0.01", low="", high="")) is None
    assert core_loss({"name": "b.fits"}) is None


def test_single_core_of_few_stars_is_no_loss():
    """Of 40 cores a cosmic ray takes 2.5 %; four cores lost are more than three."""
    assert core_loss(_row(cores="0.03", stars="40")) is None
    assert core_loss(_row(cores="0.11", stars="40")) is not None


def test_run_shows_a_few_of_many_such_subs():
    """The summary names the first ones and says how many more there are."""
    rows = [_row(f"{k}.fits") for k in range(40)]
    lines = core_lines(rows, "    ")
    assert lines[0].startswith("    0.fits: 5.0 %")
    assert "more" in lines[-1]
    assert "cores_rejected in subs.tsv" in lines[-1]
    assert core_lines([_row(cores="0.001")], "") == []
