import argparse
import contextlib

import pytest

from platecli.text.outlook import look_ahead
from platecli.verbs import check
from platefiles.workflow.open_project import open_projects

OLD = {"calibration/*": {"DATE-OBS": "2024-03-01T12:00:00"}}


@pytest.fixture
def looked(tiny_raw, write_project, tmp_path, monkeypatch):
    """Return a way to what `check` says of the tiny set, given a table of subs and more keys."""
    monkeypatch.chdir(tmp_path)

    def look(rows=(), **keys):
        path = write_project(tmp_path / "projects" / "tiny.yaml", tiny_raw, **keys)
        plans, problems = open_projects([str(path)], tmp_path, True, dry_run=True)
        assert problems == {}
        plan = plans["tiny"]
        if rows:
            table = ["id\tname\tchannel\tstate\treason\texposure_s"]
            for frame in (f for channel in plan.channels for f in plan.lights(channel)):
                state, reason = dict(rows).get(frame.name, ("used", ""))
                if state:
                    cells = (frame.id, frame.name, frame.channel, state, reason)
                    table.append("\t".join((*cells, str(frame.exposure_s))))
            table.append("gone\tn/ha-9.fits\tha\tused\t\t600")
            (tmp_path / "results" / "tiny").mkdir(parents=True)
            (tmp_path / "results" / "tiny" / "subs.tsv").write_text("\n".join(table) + "\n")
        return check.text(look_ahead(plan, "all"))

    return look


def test_before_the_first_run_all_is_new(looked, tmp_path):
    """Every night of every channel is new, every job is to do, and nothing is written."""
    lines = looked()
    assert lines[0] == "tiny: Tiny"
    assert lines[1].startswith(
        "  new: g 2026-03-23: 4 subs (12 min), g 2026-03-24: 4 subs (12 min)"
    )
    assert lines[2].startswith("  to do: 49 jobs: master bias, master dark x 2, master flat x 6, ")
    assert "    the grid is chosen in this run" in lines
    assert not any("no grid" in line for line in lines)
    assert lines[-1].startswith("  totals: g 0 s -> 24 min, b 0 s -> 24 min")
    assert not any("calibration" in line for line in lines)
    assert [path.name for path in tmp_path.iterdir()] == ["projects"]


def test_an_unknown_exposure_is_no_time(looked):
    """Of calibrated lights whose headers have none, subs are counted and hours are not."""
    lines = looked(calibrated=True, header_fixes={"*": {"EXPTIME": "", "EXPOSURE": ""}})
    assert lines[1].startswith("  new: g 2026-03-23: 4 subs (unknown exposure), ")
    assert lines[-1] == "  totals: g unknown exposure, b unknown exposure, ha unknown exposure"


def test_new_gone_and_left_out_subs_are_told(looked):
    """Against the last table of subs: what it lacks, what it has too much, what it left out."""
    rows = {
        "2026-03-24/g-01.fits": ("", ""),
        "2026-03-23/b-03.fits": ("elongated", "ellipticity 0.76"),
    }
    lines = looked(rows.items())
    assert "  new: g 2026-03-24: 1 sub (3 min)" in lines
    assert "  gone: n/ha-9.fits" in lines
    assert "  left out of the last run: 1 of 24 subs (1 elongated)" in lines
    assert "    2026-03-23/b-03.fits: ellipticity 0.76" in lines
    assert lines[-1] == (
        "  totals: g 21 min -> 24 min, b 21 min, ha 1 h 30 min -> 1 h 20 min, "
        "if every new sub can be used"
    )


def test_missing_and_old_calibration_frames_are_told(looked):
    """Flats that are not there, and darks and bias frames of two years ago."""
    lines = looked(header_fixes=OLD, exclude=["*flat*"])
    assert any(line.startswith("  calibration: There are no flats: ") for line in lines)
    old = [line for line in lines if "is old: 75" in line]
    assert len(old) == 3
    assert "  unused: 30 files" in lines
    assert "    30 files excluded in tiny.yaml" in lines


def test_excluded_subs_are_not_gone(looked):
    """A sub that the project excludes now is there; what has left the raw folder is gone."""
    looked({"2026-03-23/b-03.fits": ("used", "")}.items())
    lines = looked(exclude=["2026-03-24/g-0[12].fits"])
    assert "  gone: n/ha-9.fits" in lines
    names = "2026-03-24/g-01.fits, 2026-03-24/g-02.fits"
    assert f"  excluded since the last run: 2 subs: {names}" in lines
    assert "    2 files excluded in tiny.yaml" in lines
    assert not any("gone: 2026" in line for line in lines)


def test_sub_that_no_channel_takes_any_more_is_told_with_the_reason(looked):
    """Neither gone nor excluded: the header fix that took its filter away is the reason."""
    looked({"2026-03-23/b-03.fits": ("used", "")}.items())
    lines = looked(header_fixes={"2026-03-24/g-01.fits": {"FILTER": "X"}})
    (told,) = [line for line in lines if line.startswith("  no longer used: ")]
    assert "2026-03-24/g-01.fits: FILTER = 'X' is in no channel of tiny.yaml" in told


def test_project_with_a_problem_is_told_after_the_others(tiny_raw, write_project, tmp_path, capsys):
    """A broken project does not hide the others, and the status tells."""
    good = write_project(tmp_path / "projects" / "good.yaml", tiny_raw)
    lost = write_project(tmp_path / "projects" / "lost.yaml", tmp_path / "nowhere")
    args = argparse.Namespace(project=[str(lost), str(good)], to=["channels"], directory=tmp_path)
    with contextlib.chdir(tmp_path):
        assert check.run(args) == 1
    said = capsys.readouterr()
    assert said.out.startswith("good: Tiny\n")
    assert "lost.yaml:3: raw: no such folder" in said.err
