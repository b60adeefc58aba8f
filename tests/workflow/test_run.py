import fcntl
import json
import os
import re
import subprocess
import sys

import numpy as np
import pytest
from astropy.io import fits
from PIL import Image

ENDINGS = ("fits", "jpg", "png", "tif")
CHANNELS = ("ha", "g", "b")


def _pictures(home):
    found = (home.results / "picture").iterdir()
    return {path.suffix[1:]: path for path in found if ".display" not in path.suffixes}


def test_run_ends_with_a_summary(finished):
    """The first run says how many jobs there are, what was left out and where the pictures are."""
    home, said = finished
    masters = "master bias, master dark x 2, master flat x 6"
    assert f"To do: 49 jobs: {masters}, measure stars x 6" in said
    assert "[49/49] done in" in said
    assert "tiny: Nébuleuse" in said
    assert "b   7 of 8 subs, 21 min" in said
    assert "left out: 2026-03-23/b-03.fits: ellipticity 0." in said
    for ending in ENDINGS:
        assert f"  {home.results}/picture/ha-in-red.{ending}\n" in said
    assert "Traceback" not in said


def test_products_are_where_they_belong(finished):
    """Sheet, tables, masters, measures, channels, pictures, logs and benchmarks are there."""
    home, _ = finished
    assert {path.name for path in home.results.iterdir() if path.name[0] != "."} == {
        *("benchmarks", "calibration", "channels", "contact_sheet.png", "digests.sha256", "field"),
        *(
            "frames.tsv",
            "links",
            "logs",
            "measures",
            "picture",
            "registration",
            "seeing.tsv",
            "sky",
            "subs.tsv",
        ),
    }
    assert len(list((home.results / "calibration").iterdir())) == 9
    assert len(list((home.results / "measures").glob("*/*.fits"))) == 6
    for kind in ("channels", "registration", "sky"):
        names = {path.name for path in (home.results / kind).glob("*.fits")}
        assert names == {f"{channel}.fits" for channel in CHANNELS}
    assert set(_pictures(home)) == set(ENDINGS)
    assert len((home.results / "subs.tsv").read_text().splitlines()) == 25
    logs = list((home.results / "logs").rglob("*.log"))
    assert len(logs) == 48
    assert not any("Traceback" in path.read_text() for path in logs)
    assert not any("Warning" in path.read_text() for path in logs)


def test_every_product_says_how_it_was_made(finished):
    """Each FITS product has a maker, a rule, settings in JSON, digests, and checksums that hold."""
    home, _ = finished
    products = [p for p in home.results.rglob("*.fits") if not p.is_symlink()]
    assert len(products) == 9 + 6 + 6 + 3 + 3 + 3 + 4 + 2
    for path in products:
        with fits.open(path, checksum=True) as hdus:
            header = hdus[0].header
            assert header["CREATOR"].startswith("platelog ")
            assert header.get("PROJECT") == (None if path.parent.name == "calibration" else "tiny")
            assert len(header["JOBDIG"]) == 16
            assert isinstance(json.loads(header["SETTINGS"]), dict)
            assert len(header["CODEDIG"]) == len(header["SETDIG"]) == len(header["LOCKDIG"]) == 16
            assert all(hdu.verify_checksum() == 1 for hdu in hdus), path
            assert all(hdu.verify_datasum() == 1 for hdu in hdus), path


def test_pictures_open_and_show_something(finished):
    """The pictures are in colour, the size of the grid less its rim, with stars and a dark sky."""
    pictures = _pictures(finished[0])
    for ending in ("png", "jpg"):
        with Image.open(pictures[ending]) as picture:
            assert 304 <= picture.width <= 320
            assert 228 <= picture.height <= 240
            pixels = np.asarray(picture.convert("RGB"))
        assert np.median(pixels) < 90
        assert pixels.max() > 230
    assert fits.getdata(pictures["fits"], "SCI").shape == (3, 240, 320)


def test_raw_files_are_untouched(finished, tiny_raw, digests):
    """Every raw file has the digest and the time that it had before the run."""
    home, _ = finished
    truth = json.loads((tiny_raw / "truth" / "observation.json").read_text())["frames"]
    now = {n: d for n, d in digests(home.raw).items() if n.endswith(".fits")}
    assert now == {f"{name}.fits": frame["sha256"] for name, frame in truth.items()}


def test_nothing_lies_outside_of_the_results(finished, tiny_raw):
    """Beside the raw frames and the project file there is the lock file and no other."""
    home, _ = finished
    raw = {f"raw/{p.relative_to(tiny_raw)}" for p in tiny_raw.rglob("*") if p.is_file()}
    assert home.other_files() == raw | {"projects/tiny.yaml", "projects/tiny.lock.yaml"}
    parts = [path for path in home.folder.rglob("*") if path.name.endswith(".part")]
    assert parts == []


def test_second_run_does_nothing(finished, digests):
    """The same command again finds nothing to do and changes no file."""
    home, _ = finished
    before = digests(home.results)
    assert "Nothing new to do." in home.run("--to", "all")
    assert "Nothing new to do." in home.run("--to", "all", "--exit-code", expected=3)
    assert digests(home.results) == before


def test_moved_and_touched_files_make_nothing_anew(home):
    """In another folder, with new times on raw files, project and lock, nothing is to be done."""
    for path in [*home.raw.rglob("*.fits"), home.project, home.lock]:
        os.utime(path)
    assert home.to_do() == []


def test_renamed_folders_make_nothing_anew(home, command_line):
    """A night's folder was renamed, and the raw folder is one level up and of another name now.

    Frames are known by content: nothing is measured again, the pinned grid holds, and a new sub
    makes anew what it always does. What was renamed can be asked for by either name.
    """
    night = "2026-03-24"
    (home.raw / night).rename(home.raw / "second night")
    (home.folder / "disk").mkdir()
    home.raw.rename(home.folder / "disk" / "m15-old")
    home.change_project(raw=["../disk"])
    assert home.planned() == []
    assert "Nothing new to do." in home.run("--to", "all")
    assert home.planned() == home.to_do() == []
    first = "2026-03-24/b-01.fits"
    for name in ("m15-old/second night/b-01", "m15-old/second night/b-01.fits", first):
        command = [sys.executable, "-P", "-m", "platecli", "trace"]
        command += [str(home.results / "channels" / "b.fits"), "--why-not", name]
        assert command_line.said(command).startswith(f"{first} is in channel b")
    _add_light(home.folder / "disk" / "m15-old" / "second night", "b-01.fits", "b-99.fits")
    said = home.planned()
    assert f"measure stars b {night}" in said
    assert [job for job in said if job.startswith("measure stars")] == [f"measure stars b {night}"]


MAPPING = {"green": {"b": 1.0}}
DRAWN = [*["annotate"] * 2, "draw picture", *["encode picture"] * 3, "contact sheet"]
FIELD = ["find zero points", "identify sources", *["list sources"] * 4, "measure depth"]


@pytest.mark.parametrize(
    ("overrides", "jobs"),
    [
        ({"stretch": {"sky_level": 0.2}}, DRAWN),
        ({"mapping": MAPPING}, DRAWN + ["map channels"]),
        (
            {"gradient": {"surface": "none"}},
            DRAWN + ["subtract gradient"] * 3 + ["map channels", "list seeing"],
        ),
        (
            {"integration": {"clip_high": 3.0}},
            DRAWN
            + FIELD
            + ["subtract gradient"] * 3
            + ["integrate"] * 3
            + ["map channels", "list seeing", "list subs"],
        ),
        (
            {"quality": {"min_transparency": 0.8}},
            DRAWN
            + FIELD
            + ["subtract gradient"] * 3
            + ["integrate"] * 3
            + ["map channels"]
            + ["assess subs"] * 3
            + ["list seeing", "list subs"],
        ),
    ],
)
def test_changed_setting_makes_anew_what_depends_on_it(home, overrides, jobs):
    """A setting that is changed reruns the rules that use it and what follows, no more."""
    home.change_project(overrides=overrides)
    rules = ["".join(c for c in job if not c.isupper()) for job in home.to_do()]
    names = [
        next(
            name
            for name in sorted({*jobs, "measure stars", "master"}, key=len)[::-1]
            if name in rule
        )
        for rule in rules
    ]
    assert sorted(names) == sorted(jobs)


def _add_light(folder, source, name):
    """Add a light that shows the sky of another, two pixels aside."""
    with fits.open(folder / source) as hdus:
        pixels, header = np.roll(hdus[0].data, 2, axis=1), hdus[0].header
        header["DATE-OBS"] = header["DATE-OBS"][:-1] + "7"
        fits.writeto(folder / name, pixels, header)


def test_added_sub_makes_its_own_night_anew(home):
    """One more light measures its night, registers and integrates; the grid does not move."""
    lock = home.lock.read_text()
    reference = lock.split("name: ")[1].split("/")[0]
    night = next(n for n in ("2026-03-23", "2026-03-24") if n != reference)
    _add_light(home.raw, f"{night}/ha-01.fits", f"{night}/ha-05.fits")
    later = ("co", "draw picture", "encode picture", "map channels", "annotate", "list sources")
    jobs = [job for job in home.to_do() if not job.startswith(later)]
    own = ["subtract gradient ha", "integrate ha", "assess subs ha"]
    own += [f"measure stars ha {night}", f"register ha {night}"]
    field = ["find zero points", "identify sources", "measure depth"]
    assert jobs == sorted([*field, *own, "list seeing", "list subs"])
    said = home.run("--to", "results/tiny/channels/ha.fits")
    assert "[4/4] done" in said
    assert fits.getheader(home.results / "channels" / "ha.fits")["NCOMBINE"] == 9
    assert home.lock.read_text() == lock


def test_removed_sub_makes_its_channel_anew(home):
    """A light that is taken out takes its channel with it, and no other."""
    (home.raw / "2026-03-23" / "ha-02.fits").unlink()
    jobs = [
        job for job in home.to_do() if not job.startswith(("draw picture", "encode", "co", "map"))
    ]
    assert "integrate ha" in jobs
    assert "measure stars ha 2026-03-23" in jobs
    assert not any({"b", "g"} & set(job.split()) for job in jobs)


def test_single_subs_are_searched_for_cosmic_rays_on_demand(home):
    """A project that asks for it gets a file a channel and night, which integrating reads."""
    home.change_project(overrides={"integration": {"single_frame_cosmic_rays": "always"}})
    searches = [job for job in home.to_do() if job.startswith("find cosmic rays")]
    nights = ("2026-03-23", "2026-03-24")
    assert searches == [f"find cosmic rays {c} {n}" for c in sorted(CHANNELS) for n in nights]
    said = home.run("--to", "results/tiny/channels/g.fits")
    assert "To do: 3 jobs: find cosmic rays x 2, integrate" in said
    inputs = fits.getdata(home.results / "channels" / "g.fits", "INPUTS")
    listed = [
        fits.getdata(home.results / "cosmic_rays" / "g" / f"{night}.fits", "SUBS")["pixels"]
        for night in nights
    ]
    np.testing.assert_array_equal(inputs["ray_pixels"], np.concatenate(listed))
    assert inputs["ray_pixels"].sum() > 50


def test_dry_run_writes_nothing(make_home, tiny_raw, tmp_path):
    """Before the first run a dry run lists every job and leaves no file behind."""
    home = make_home(tmp_path / "home")
    home.raw.rmdir()
    home.raw.symlink_to(tiny_raw)
    assert len(home.to_do()) >= 20
    assert not (home.folder / "results").exists()
    assert home.other_files() == {"projects/tiny.yaml"}


def test_killed_run_on_one_core_ends_with_the_same_bytes(
    finished, make_home, tiny_raw, tmp_path, command_line
):
    """A run that is killed midway and started again gives, on one core, what two cores gave."""
    first, _ = finished
    home = make_home(tmp_path / "home", title="N\u00e9buleuse")
    home.raw.rmdir()
    home.raw.symlink_to(tiny_raw)
    home.lock.write_bytes(first.lock.read_bytes())
    target = "results/tiny/channels/g.fits"
    masters = home.results / "calibration"
    command_line.kill_when(
        home.by_hand("--cores", "1", "--", target, module="platecli.execution.engine"),
        lambda: list(masters.glob("*.fits")),
    )
    assert not (home.folder / target).exists()
    home.run("--cores", "1", "--to", target)
    made = [p.relative_to(home.folder) for p in home.results.rglob("*.fits") if not p.is_symlink()]
    assert len(made) >= 7
    for name in made:
        assert (home.folder / name).read_bytes() == (first.folder / name).read_bytes(), name


def test_failed_job_is_not_forgotten(home):
    """A job that fails is tried again, though what was once made from its product is there."""
    home.change_project(overrides={"quality": {"min_stars": 5000}})
    for _ in range(2):
        said = home.run("--to", "results/tiny/channels/ha.fits", expected=1).splitlines()
        why = [line for line in said if "none of its 8 subs can be used (8 few stars)" in line]
        assert [line.partition(": channel 'ha': none of")[0] for line in why] == [
            "FAILED: assess subs tiny ha",
            "  failed: assess subs ha",
        ]


def test_failed_run_sums_up_what_there_is(home, monkeypatch):
    """After a failure the summary tells what is there, how old it is, what failed and why.

    In 60 columns, as all that the run says.
    """
    (home.results / "measures" / "g" / "2026-03-23.fits").unlink()
    home.change_project(
        overrides={"quality": {"min_stars": 5000}}, exclude=["2026-03-24/b-0[12].fits"]
    )
    monkeypatch.setenv("COLUMNS", "60")
    lines = home.run("--to", "all", expected=1).splitlines()
    long = [line for line in lines if len(line) > 60]
    assert all(line.startswith("  /") or len(line.split()) < 3 for line in long), long
    start = lines.index("tiny: Nébuleuse")
    said = " ".join(" ".join(lines[start:]).split())
    assert "ha 8 of 8 subs, 1 h 20 min" in said
    assert said.count("picture/ha-in-red.png (of an earlier run)") == 1
    failed = "channel '{0}': none of its {1} subs can be used ({1} few stars)"
    for channel, count in (("ha", 8), ("g", 8), ("b", 6)):
        assert f"failed: assess subs {channel}: {failed.format(channel, count)}" in said
    assert re.search(r"[1-9]\d* of \d+ jobs done, \d+ depend on failed jobs$", said)
    log = (home.results / "logs" / "assess_subs" / "ha.log").read_text()  # is for no console
    assert any(failed.format("ha", 8) in line for line in log.splitlines())


def test_run_goes_on_without_a_reader(home):
    """Who closes the pipe, as `head` does, loses the words and nothing else."""
    picture = home.results / "picture" / "ha-in-red.jpg"
    picture.unlink()
    command = [sys.executable, "-P", "-m", "platecli", "run", str(home.project)]
    reading, writing = os.pipe()
    os.close(reading)
    done = subprocess.run(
        [*command, "--directory", str(home.folder)], stdout=writing, stderr=writing, check=False
    )
    os.close(writing)
    assert done.returncode == 0
    assert picture.is_file()
    assert home.planned() == []


def test_two_runs_at_once_are_refused(home, command_line):
    """While another run holds the results, a second one ends with a sentence."""
    (home.results / "picture" / "ha-in-red.png").unlink()
    with open(home.folder / "results" / ".run.lock", "a") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        said = home.run("--to", "all", expected=4)
        assert f"another run is active in {home.folder}/results; wait until it ends" in said
        assert "Traceback" not in said
        assert "another run is active" in command_line.said(home.by_hand("--", "all"), expected=1)
        assert home.to_do() == ["encode picture ha-in-red png"]


def test_stored_subs_come_on_request(home):
    """A calibrated or registered sub is made when it is asked for, without more."""
    sub = next(p.name for p in (home.results / "links").iterdir() if p.name.startswith("g_01"))
    for kind in ("calibrated", "registered"):
        said = home.run("--to", f"results/tiny/{kind}/g/{sub}")
        assert "[1/1] done" in said
        with fits.open(home.results / kind / "g" / sub) as hdus:
            assert hdus["SCI"].shape == (240, 320)


def test_snakemake_by_hand(home, command_line):
    """Snakemake itself, with the profile, finds the same nothing to do; a report is made."""
    assert "Nothing to be done" in command_line.said(home.by_hand("--", "all"))
    report = home.folder / "report.html"
    command_line.said(home.by_hand("--report", str(report)))
    text = report.read_text(encoding="utf-8")
    assert "ha-in-red.png" in text
    assert "subs.tsv" in text


def test_steps_that_snakemake_starts_itself_make_the_same_bytes(home):
    """With `--executor local` no step server is at work, and the channel is the same file."""
    made = [
        *(f"measures/g/{night}.fits" for night in ("2026-03-23", "2026-03-24")),
        *(f"registration/g/{night}.fits" for night in ("2026-03-23", "2026-03-24")),
        "registration/g.fits",
        "channels/g.fits",
    ]
    before = [(home.results / name).read_bytes() for name in made]
    for name in made:
        (home.results / name).unlink()
    said = home.run("--to", "results/tiny/channels/g.fits", "--", "--executor", "local")
    assert "measure stars x 2" in said
    assert [(home.results / name).read_bytes() for name in made] == before
