from platefiles.frames.fixed_header import fixes_for, matches


def test_fixes_by_pattern():
    """Patterns fit the path or the bare name, in both cases of letters apart; the last one wins."""
    fixes = {"*_i.fits": {"FILTER": "i"}, "night1/*": {"FILTER": "x", "GAIN": 1}}
    assert fixes_for(["night1/a_i.fits"], fixes) == {"FILTER": "x", "GAIN": 1}
    assert fixes_for(["a_i.fits"], fixes) == {"FILTER": "i"}
    assert fixes_for(["a_I.fits"], fixes) == {}
    assert matches("night1/sub_001.fits", "sub_*")
    assert not matches("night1/sub_001.fits", "night2/*")
