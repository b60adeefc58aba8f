import argparse

import pytest

from platecli.arguments.stage import check_stage
from platecli.text import summary
from platecli.verbs import run
from platefiles.core.errors import UserError
from platefiles.fits.products_io import write_product
from platefiles.workflow.makers import stages

SUBS = """\
id\tname\tchannel\tnight\tstate\treason\texposure_s
a\tn1/ha 1.fits\tha\t2031-05-01\tused\t\t600
b\tn1/ha 2.fits\tha\t2031-05-01\tclouded\ttransparency 0.31 is below 0.5\t600
c\tn1/g 1.fits\tg\t2031-05-01\tused\t\t1800
d\tn1/g 2.fits\tg\t2031-05-01\tused\t\t1800
"""


@pytest.fixture
def results(tmp_path):
    """Make a folder of results with a table of subs and two pictures."""
    (tmp_path / "picture").mkdir()
    for name in ("warm.tif", "warm.png", "notes.txt"):
        (tmp_path / "picture" / name).touch()
    (tmp_path / "subs.tsv").write_text(SUBS, encoding="utf-8")
    return tmp_path


def test_summary_tells_what_was_used_and_what_not(results):
    """Each channel has its count, its exposure, and its left-out subs with the reason."""
    assert summary.text("swirl", "A Swirl", results).splitlines() == [
        "swirl: A Swirl",
        "  ha  1 of 2 subs, 10 min",
        "      left out: n1/ha 2.fits: transparency 0.31 is below 0.5",
        "  g   2 of 2 subs, 1 h 0 min",
        f"  {results}/picture/warm.png",
        f"  {results}/picture/warm.tif",
    ]


def test_summary_tells_what_was_not_done(results):
    """What a channel's header says was not done is told, once for all channels."""
    for channel in ("ha", "g"):
        cards = [("NOTDONE1", "There are no flats: dust stays.")]
        write_product(results / "channels" / f"{channel}.fits", cards, [])
    lines = summary.text("swirl", "A Swirl", results).splitlines()
    assert lines.count("  note: There are no flats: dust stays.") == 1


def test_summary_tells_where_pixel_values_pile_up(results):
    """A level of saturation that was found is told once a camera setting; others are not told."""
    first = "camera setting a: pixel values pile up at 4095 adu; they count"
    second = "camera setting b: pixel values pile up at 900 adu"
    said = {"b": [], "g": [("a", first), ("b", second)], "ha": [("a", first.replace("95", "90"))]}
    for channel, levels in said.items():
        cards = [("SATFROM", "; ".join(text for _, text in levels) or "file format")]
        for number, (about, text) in enumerate(levels, start=1):
            cards += [(f"SATKEY{number}", about), (f"SATSAY{number}", text)]
        write_product(results / "channels" / f"{channel}.fits", cards, [])
    lines = summary.text("swirl", "A Swirl", results).splitlines()
    notes = [line for line in lines if "note: " in line]
    assert notes == [f"  note: {first}", f"  note: {second}"]


def test_exposures_may_come_from_the_frame_sheet(results):
    """A table of subs without exposures is completed by the list of frames."""
    table = "\n".join("\t".join(line.split("\t")[:-1]) for line in SUBS.splitlines())
    (results / "subs.tsv").write_text(table, encoding="utf-8")
    (results / "frames.tsv").write_text("id\texposure_s\na\t90\n", encoding="utf-8")
    assert "  ha  1 of 2 subs, 2 min" in summary.text("swirl", "A Swirl", results).splitlines()


def test_many_left_out_subs_are_shortened(results):
    """A night of clouds does not fill the screen."""
    rows = [f"s{n}\ts{n}\tha\t\tclouded\tclouds\t60" for n in range(100)]
    (results / "subs.tsv").write_text("\n".join([SUBS.splitlines()[0], *rows]), encoding="utf-8")
    lines = summary.text("swirl", "A Swirl", results).splitlines()
    assert lines[1] == "  ha  0 of 100 subs"
    assert lines[10].strip() == "and 92 more left out, all listed in subs.tsv"


def test_excluded_files_are_counted_by_reason(results):
    """Files that the project leaves out on purpose take a line a reason, however many they are."""
    reasons = ["excluded in x.yaml"] * 20 + ["excluded in x.yaml by `lights` (no OBJECT)"]
    rows = [f"s{n}\ts{n}\t\t\tunused\t{why}\t60" for n, why in enumerate(reasons)]
    (results / "subs.tsv").write_text("\n".join([SUBS.splitlines()[0], *rows]), encoding="utf-8")
    sheet = [f"s{n}\t{'not selected' if n == 20 else 'excluded'}" for n in range(21)]
    (results / "frames.tsv").write_text("\n".join(["id\twhy", *sheet]), encoding="utf-8")
    lines = summary.text("swirl", "A Swirl", results).splitlines()
    assert lines[1:3] == [
        "  20 files excluded in x.yaml",
        "  1 file excluded in x.yaml by `lights` (no OBJECT)",
    ]


@pytest.mark.parametrize("table", [None, "", "id\n", "channel\tstate\nha\n", "\x00\xff\t\n\t\t\t"])
def test_summary_survives_what_is_not_there(tmp_path, table):
    """Missing or damaged tables leave lines away, and nothing else."""
    if table is not None:
        (tmp_path / "subs.tsv").write_text(table, encoding="utf-8")
    assert summary.text("swirl", "A Swirl", tmp_path).startswith("swirl: A Swirl")


# Rounding as people do it: common practice, no source.
@pytest.mark.parametrize(
    ("seconds", "said"),
    [(45, "45 s"), (53.9075, "53.9 s"), (90, "2 min"), (3600, "1 h 0 min"), (17_940, "4 h 59 min")],
)
def test_exposure_totals_are_said_in_hours_and_minutes(seconds, said):
    """Totals have no more digits than an imager says."""
    assert summary.hours_minutes(seconds) == said


def test_unknown_stage_is_answered_with_the_nearest():
    """A typing error in the stage is answered before anything starts."""
    with pytest.raises(UserError, match=r"--to pictures: .* did you mean 'picture'\?"):
        check_stage("pictures")


@pytest.mark.parametrize("target", [*stages(), "results/swirl/channels/ha.fits"])
def test_known_stages_and_files_are_accepted(target):
    """A run may go to a stage, or to a file below results."""
    check_stage(target)


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ([], ["picture"]),
        (["--to", "all"], ["all"]),
        (
            ["--to", "channels", "x", "--to", "results/x/seeing.tsv"],
            ["channels", "results/x/seeing.tsv"],
        ),
    ],
)
def test_several_targets_may_be_given(words, expected):
    """Each --to adds a target; they take the place of the default."""
    parser = argparse.ArgumentParser()
    run.add_arguments(parser)
    for _ in range(2):  # the default is not changed
        assert parser.parse_args(words).to == expected


def test_all_wrong_projects_are_named_at_once():
    """With two wrong names both are told, and nothing starts."""
    with pytest.raises(run.WrongCommand, match=r"(?s)no project is called 'dmeo'.*'nowhere'"):
        run.checked_words(["dmeo", "nowhere"])
