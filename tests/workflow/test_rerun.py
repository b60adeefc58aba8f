"""What is made again after what happened to a project: the table in scripts/runs.md says the same.

Events are put to `platefiles.workflow.staleness` and to Snakemake's dry run, which must agree.
"""

import os
import random
import shutil
import time

import pytest
import yaml
from astropy.io import fits

NIGHTS = ("2026-03-23", "2026-03-24")
CHANNELS = ("b", "g", "ha")
ANNOTATED = ["annotate png", "annotate svg"]
ENCODED = [
    *(f"encode picture {rest}" for rest in ("ha-in-red jpg", "ha-in-red png", "tiff ha-in-red")),
]
COMPOSITES = [*ENCODED, "draw picture ha-in-red", "contact sheet", *ANNOTATED]
COLOUR = [*COMPOSITES, "map channels ha-in-red"]
LISTS = [f"list sources {ending}" for ending in ("csv", "ecsv", "reg", "vot")]
FIELD = ["find zero points", "measure depth", "identify sources", *LISTS]
SETTING = "heronmere_m15_320x240_g120_o50"
DARKS = [f"master dark dark_{seconds}s_{SETTING}_m10c" for seconds in (180, 600)]


def _channel(channel, *nights):
    """Jobs after a change in nights of one channel."""
    measures = [f"measure stars {channel} {night}" for night in nights]
    own = [f"{rule} {channel}" for rule in ("subtract gradient", "integrate", "assess subs")]
    own += [f"register {channel} {night}" for night in nights]
    return [*own, *measures, "list seeing", "list subs", *FIELD, *COLOUR]


def _all(*rules):
    return [f"{rule} {channel}" for rule in rules for channel in CHANNELS]


MEASURES = [f"measure stars {channel} {night}" for channel in CHANNELS for night in NIGHTS]
FLATTENED = [*_all("subtract gradient"), "list seeing", *COLOUR]
INTEGRATED = [*_all("integrate"), "list subs", *FIELD, *FLATTENED]
SELECTED = [*_all("assess subs"), *INTEGRATED]
REGISTERED = [
    *(f"register {channel} {night}" for channel in CHANNELS for night in NIGHTS),
    *SELECTED,
]


def _add(night, name, source):
    """Return an event: a frame that shows what another one does, two pixels aside."""
    return lambda home: home.add_frame(night, name, source)


def _set(**keys):
    return lambda home: home.change_project(**keys)


def _override(group, **settings):
    return _set(overrides={group: settings})


def _remove(*patterns):
    def event(home):
        for pattern in patterns:
            for path in home.folder.glob(pattern):
                path.unlink()

    return event


def _touch(home):
    for path in [*home.raw.rglob("*.fits"), home.project, home.lock]:
        os.utime(path)


def _copy_without_times(home):
    """As a copy that keeps no times, of which the files come in any order."""
    ages = random.Random(4)
    for path in sorted(home.folder.rglob("*")):
        if path.is_file() and not path.is_symlink():
            then = time.time() - ages.uniform(0, 1e6)
            os.utime(path, (then, then))


def _move_raw(home):
    home.raw.rename(home.folder / "elsewhere")
    home.change_project(raw=["../elsewhere"])


def _turn_channels(home):
    channels = yaml.safe_load(home.project.read_text(encoding="utf-8"))["channels"]
    home.change_project(channels=dict(reversed(channels.items())))


def _delete_logs(home):
    for name in ("logs", "benchmarks"):
        shutil.rmtree(home.results / name)


def _rename_night(home):
    (home.raw / NIGHTS[0]).rename(home.raw / "first night")


def _clock_set_back(home):
    """Products of the future, and a setting changed."""
    then = time.time() + 1e6
    for path in home.results.rglob("*"):
        if path.is_file() and not path.is_symlink():
            os.utime(path, (then, then))
    home.change_project(overrides={"stretch": {"sky_level": 0.2}})


EVENTS = {
    "nothing": (lambda home: None, []),
    "raw frames, project and lock touched": (_touch, []),
    "checkout and results copied without times": (_copy_without_times, []),
    "raw folder moved": (_move_raw, []),
    "a night's folder renamed": (_rename_night, []),
    "channels in another order": (_turn_channels, []),
    "logs and benchmarks deleted": (_delete_logs, []),
    "measures and masters deleted": (_remove("results/tiny/[mc]*/*/*", "results/*/cal*/*"), []),
    "a sub more, old night": (
        _add(NIGHTS[1], "ha-05.fits", f"{NIGHTS[1]}/ha-01.fits"),
        _channel("ha", NIGHTS[1]),
    ),
    "a sub more, the night of the grid's reference": (
        _add(NIGHTS[0], "g-05.fits", f"{NIGHTS[0]}/g-02.fits"),
        _channel("g", NIGHTS[0]),
    ),
    "a sub more, new night": (
        _add("2026-03-25", "ha-01.fits", f"{NIGHTS[1]}/ha-01.fits"),
        _channel("ha", "2026-03-25"),
    ),
    "a flat more on the night of the grid's reference, another channel": (
        _add(NIGHTS[0], "flat-ha-09.fits", f"{NIGHTS[0]}/flat-ha-01.fits"),
        [  # the night of the channel's photometric reference, which its other nights are scaled to
            *(f"master flat flat_ha_{NIGHTS[0]}_{SETTING}", f"register ha {NIGHTS[1]}"),
            *_channel("ha", NIGHTS[0]),
        ],
    ),
    "a flat more for the grid's reference": (
        _add(NIGHTS[0], "flat-g-09.fits", f"{NIGHTS[0]}/flat-g-01.fits"),
        [
            *(f"master flat flat_g_{NIGHTS[0]}_{SETTING}", f"measure stars g {NIGHTS[0]}"),
            *("solve astrometry", *REGISTERED),
        ],
    ),
    "a sub removed": (_remove(f"raw/{NIGHTS[1]}/b-02.fits"), _channel("b", NIGHTS[1])),
    "a sub excluded": (_set(exclude=[f"{NIGHTS[1]}/b-02.fits"]), _channel("b", NIGHTS[1])),
    "`calibration: hot_pixel_sigma`": (
        _override("calibration", hot_pixel_sigma=9.0),
        [*DARKS, *MEASURES, "solve astrometry", *REGISTERED],
    ),
    "`measure: max_stars`": (
        _override("measure", max_stars=500),
        [*MEASURES, "solve astrometry", *REGISTERED],
    ),
    "`quality: min_transparency`": (_override("quality", min_transparency=0.4), SELECTED),
    "`registration: max_degree`": (_override("registration", max_degree=2), REGISTERED),
    "`integration: clip_high`": (_override("integration", clip_high=3.0), INTEGRATED),
    "`gradient: degree`": (_override("gradient", degree=1), FLATTENED),
    "`mapping: green`": (_override("mapping", green={"b": 1.0}), COLOUR),
    "`colour: white`": (_override("colour", white="given"), COLOUR),
    "`stretch: sky_level`": (_override("stretch", sky_level=0.2), COMPOSITES),
    "`finish`": (_override("finish", local_contrast=0.2), COMPOSITES),
    "a picture more": (
        _set(pictures={"vivid": {"stretch": {"saturation": 2.0}, "files": ["png"]}}),
        [
            *("contact sheet", "draw picture vivid", "encode picture vivid png"),
            "map channels vivid",
        ],
    ),
    "`title`": (_set(title="Otherwise"), [*ENCODED, "contact sheet", *ANNOTATED]),
    "`annotation: stars_to_mag`": (_override("annotation", stars_to_mag=9.0), ANNOTATED),
    "`depth: surface_brightness`": (
        _override("depth", surface_brightness=24.0),
        ["measure depth", "identify sources", *LISTS, *ANNOTATED],
    ),
    "`sky: scale_arcsec`": (_set(sky={"scale_arcsec": 2.3}), ["solve astrometry", *INTEGRATED]),
    "a picture deleted": (_remove("results/tiny/picture/*.png"), ["encode picture ha-in-red png"]),
    "a channel deleted": (_remove("results/tiny/channels/g.fits"), ["integrate g"]),
    "lock file deleted": (
        _remove("projects/tiny.lock.yaml"),
        ["choose reference", "solve astrometry", *REGISTERED],
    ),
    "clock set back, `stretch`": (_clock_set_back, COMPOSITES),
}

LIKE_OTHERS = {
    "a flat more on the night of the grid's reference, another channel",
    "a sub removed",
    "a picture deleted",
    "`finish`",
    "`title`",
    *(f"`{name}`" for name in ("measure: max_stars", "registration: max_degree", "colour: white")),
    "`gradient: degree`",
}


@pytest.mark.parametrize("event", EVENTS)
def test_event_makes_anew_what_depends_on_it(home, event):
    """After an event exactly its jobs are to do, with Snakemake's own notes all lost.

    Snakemake is asked too, but for settings that act in the way of others.
    """
    happens, jobs = EVENTS[event]
    home.forget()
    happens(home)
    assert home.planned() == sorted(jobs)
    if event not in LIKE_OTHERS:
        assert home.to_do() == sorted(jobs)


@pytest.mark.parametrize(
    "event", ["nothing", "a sub more, old night", "a sub excluded", "lock file deleted"]
)
def test_notes_of_snakemake_change_nothing(home, event):
    """With Snakemake's notes there, the same jobs are to do."""
    happens, jobs = EVENTS[event]
    happens(home)
    assert home.to_do() == sorted(jobs)


def _edit(path, old, new):
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), encoding="utf-8")


def test_code_counts_by_what_it_does(home, checkout):
    """Comments, docstrings and times of code make nothing anew; an edit makes its importers."""
    home = type(home)(home.folder, checkout)
    for path in checkout.rglob("*.py"):
        os.utime(path)
    levels = checkout / "scripts/platelib/registration/photometric_scale.py"
    _edit(levels, '"""', '"""As ever. ')
    levels.write_text(levels.read_text() + "\n# a remark\n")
    assert home.to_do() == []
    levels.write_text(levels.read_text() + "\nMORE = 1\n")
    assert home.to_do() == sorted(REGISTERED)


def test_stale_products_are_made_anew_and_it_is_said(home):
    """A run without Snakemake's notes says why it makes what, makes it, and then there is peace."""
    home.forget()
    home.change_project(overrides={"mapping": {"green": {"b": 1.0}}})
    said = home.run("--to", "all")
    assert "tiny: mapping.green.b none -> 1.0, mapping.green.g 1.0 -> none: map channels" in said
    assert "[8/8] done" in said
    assert home.planned() == home.to_do() == []
    header = fits.getheader(home.results / "picture" / "ha-in-red.fits")
    assert '"green":{"b":1.0}' in header["SETTINGS"]


def test_channels_get_a_place_that_becomes_known(home, tiny_catalogue):
    """A field that was refused is placed by a catalogue: the cause is told, no pixel changes."""
    paths = [home.results / "channels" / f"{channel}.fits" for channel in CHANNELS]
    before = [fits.getheader(path, "SCI") for path in paths]
    assert not any("CTYPE1" in header for header in before)
    home.change_project(sky={"catalogue": str(tiny_catalogue), "scale_arcsec": 2.32})
    said = home.run("--to", "channels")
    assert "tiny: sky.scale_arcsec none -> 2.32: solve astrometry" in said
    assert "[5/5] done" in said
    after = [fits.getheader(path, "SCI") for path in paths]
    assert [header["CTYPE1"] for header in after] == ["RA---TAN"] * 3
    assert [header["DATASUM"] for header in after] == [header["DATASUM"] for header in before]
    home.run("--to", "all")
    assert home.planned() == home.to_do() == []


def test_each_picture_is_made_anew_alone(home):
    """Of two further pictures the one whose settings change is made again, and nothing else."""
    vivid = {"stretch": {"saturation": 2.0}, "files": ["png"]}
    grey = {"mapping": {"red": None, "green": None, "blue": None}, "files": ["png"]}
    home.change_project(pictures={"vivid": vivid, "grey": grey})
    home.run("--to", "all")
    assert home.planned() == home.to_do() == []
    home.change_project(pictures={"vivid": vivid | {"stretch": {"saturation": 1.5}}, "grey": grey})
    jobs = ["contact sheet", "draw picture vivid", "encode picture vivid png"]
    assert home.planned() == home.to_do() == jobs
    home.change_project(pictures={"vivid": vivid, "grey": grey | {"title": "In grey"}})
    assert home.planned() == home.to_do() == ["encode picture grey png"]


def test_changes_follow_each_other(home):
    """What was stale in the last run, and made anew, can be stale again in the next one."""
    table = home.results / "subs.tsv"
    without = [f"{NIGHTS[0]}/{channel}-02.fits" for channel in ("b", "ha")]
    for excluded in (without[:1], without[:2], without[:1]):
        home.change_project(exclude=excluded)
        home.run("--to", str(table.relative_to(home.folder)))
        said = table.read_text(encoding="utf-8").splitlines()
        rows = [line for line in said if "excluded" in line]
        assert len(rows) == len(excluded)
    assert home.to_do("--to", str(table.relative_to(home.folder))) == []


def test_clock_set_back_does_not_stop_a_run(home):
    """Products and links that seem to be of the future serve, and are replaced, like any other."""
    _clock_set_back(home)
    then = time.time() + 1e6
    for path in (home.results / "links").iterdir():
        os.utime(path, (then, then), follow_symlinks=False)
    (home.results / "channels" / "g.fits").unlink()
    assert "[8/8] done" in home.run("--to", "all")
    assert home.planned() == home.to_do() == []


def test_deleted_lock_chooses_anew(home):
    """Without the lock file the grid is chosen anew and all is laid on it; then there is peace."""
    before = home.lock.read_bytes()
    home.lock.unlink()
    home.forget()
    home.run("--to", "all")
    assert home.lock.read_bytes() == before
    assert home.planned() == home.to_do() == []


def test_channel_that_the_lock_lacks_is_pinned_without_the_others(home):
    """A channel without a photometric reference gets one; the other channels are left alone."""
    before = home.lock.read_text()
    lines = [line for line in before.splitlines(keepends=True) if not line.startswith("  b: ")]
    home.lock.write_text("".join(lines))
    for folder in ("logs", ".jobs"):  # which tell how long the file was with all its channels
        shutil.rmtree(home.folder / "results" / folder / "choose_reference")
    home.forget()
    jobs = ["choose reference", "subtract gradient b", "integrate b", "assess subs b"]
    jobs += [f"register b {night}" for night in NIGHTS]
    jobs += ["list seeing", "list subs", *FIELD, *COLOUR]
    assert home.planned() == sorted(jobs)
    said = home.run("--to", "all")
    assert "[23/23] done" in said
    assert home.lock.read_text() == before
    assert home.planned() == home.to_do() == []


def test_a_deleted_crop_is_chosen_without_the_grid(home):
    """Pictures alone are drawn again, and the lock file is as before."""
    before = home.lock.read_text()
    start, end = before.index("# Columns and rows"), before.index("photometry:")
    home.lock.write_text(before[:start] + before[end:])
    home.forget()
    assert home.planned() == home.to_do() == sorted(["choose reference", *COMPOSITES])
    said = home.run("--to", "all")
    assert f"[{1 + len(COMPOSITES)}/{1 + len(COMPOSITES)}] done" in said
    assert home.lock.read_text() == before
    assert home.planned() == home.to_do() == []


def test_vanished_reference_is_a_sentence(home):
    """Where the reference of the grid is gone, one sentence says which, and the ways out."""
    name = home.lock.read_text().split("name: ")[1].splitlines()[0]
    (home.raw / name).unlink()
    said = home.run("--to", "all", expected=1).splitlines()
    assert len(said) == 1
    assert said[0].startswith(f"{home.lock}: the sub '")
    assert "restore it, or delete tiny.lock.yaml to choose again" in said[0]


def test_results_of_another_version_are_made_anew(home):
    """A product that does not say by which job it was made counts as stale, and no other."""
    fits.delval(home.results / "channels" / "g.fits", "JOBDIG")
    home.forget()
    assert home.planned() == home.to_do() == ["integrate g"]


def test_run_takes_over_in_a_clone(finished, tmp_path):
    """Results that were copied to another place, without notes, are taken as they are."""
    home = type(finished[0])(tmp_path / "clone")
    for name in ("raw", "projects", "results"):
        place = finished[0].folder / name
        shutil.copytree(place, home.folder / name, symlinks=True, copy_function=shutil.copyfile)
    assert "Nothing new to do." in home.run("--to", "all")
    assert home.to_do() == []
