"""Names and texts that would act somewhere, if they reached a shell, a path or a page unescaped."""

import csv
import os
import shutil
import sys
from html.parser import HTMLParser

import pytest
from astropy.io import fits

from platecli.execution.engine import command

NIGHT = "2026-03-23"
PLACE = "we\\x41rd\nplace $(touch pwned) `touch pwned` {x} 'q' <b>"
NAMES = [
    "-rf.fits",
    "new\nline $(touch pwned).fits",
    "'; touch pwned; '.fits",
    os.fsdecode(b"\xff\xfe`touch pwned`.fits"),
    "x" * 250 + ".fits",
    "\x1b]0;pwned\x07\u202e.fits",
    "y<" + "/script><img src=x onerror=alert(1)>.fits",
    'z"><' + "/script><script>alert(1)<" + "/script>.fits",
]
SCRIPT = "</script><script>alert(1)</script>"


@pytest.fixture(scope="module")
def hostile(make_home, tiny_raw, tmp_path_factory):
    """A home full of hostile names, after its run, and what was said."""
    home = make_home(
        tmp_path_factory.mktemp("hostile") / PLACE / "home",
        title="$(touch pwned) " + SCRIPT,
        recipe="single-channel",
        channels={"g": {"filters": ["G"]}},
    )
    lights = sorted(tiny_raw.glob("*/g-*.fits"))
    for source, name in zip(lights, NAMES, strict=True):
        _copy(source, home.raw / NIGHT / name, OBJECT="$(touch pwned)", OBSERVER=SCRIPT)
    for pattern in ("calibration/bias-*", "calibration/dark-180s-*", f"{NIGHT}/flat-g-*"):
        for source in sorted(tiny_raw.glob(pattern)):
            _copy(source, home.raw / source.relative_to(tiny_raw), INSTRUME="../../x'\"$(touch y)")
    _copy(lights[0], home.raw / "other.fits", FILTER=SCRIPT)
    return home, home.run("--to", "all", "--cores", "2")


def _copy(source, path, **cards):
    path.parent.mkdir(parents=True, exist_ok=True)
    shutil.copyfile(source, path)
    with fits.open(path, mode="update") as hdus:
        hdus[0].header.update({"INSTRUME": "../../x'\"$(touch y)", **cards})
    os.utime(path, (1e9, 1e9))


def test_nothing_of_a_name_is_carried_out(hostile):
    """No shell took a name for a command, and no path led out of the results."""
    home, said = hostile
    assert "Traceback" not in said
    outside = home.folder.parent.parent
    stray = [path for path in outside.rglob("*") if path.name in ("pwned", "x", "y")]
    assert stray == []
    assert not (home.project.parent / "pwned").exists()
    assert [path.name for path in outside.iterdir()] == [PLACE]
    assert {path.name for path in home.folder.iterdir()} == {
        *("raw", "projects", "results", ".snakemake"),
    }


def test_every_sub_is_used_whatever_its_name(hostile):
    """All of the subs are part of the channel, and the table lists each on one line."""
    home, _ = hostile
    with fits.open(home.results / "channels" / "g.fits") as hdus:
        assert hdus[0].header["NCOMBINE"] == len(NAMES)
    with open(home.results / "subs.tsv", encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream, delimiter="\t", quoting=csv.QUOTE_NONE))
    assert len(rows) == len(NAMES) + 1
    assert all(value.isprintable() for row in rows for value in row.values())


def test_no_name_acts_on_the_terminal(hostile):
    """What is printed holds no escape sequence and no turned text, only lines."""
    _, said = hostile
    assert all(line.isprintable() for line in said.replace(PLACE, "").splitlines())
    assert "left out: other.fits: FILTER = '</script><script>alert(1)</script>' is in" in said


def test_no_verb_lets_a_name_act_on_the_terminal(hostile, command_line, checkout, tmp_path):
    """Every verb that reads raw frames, products or logs shows lines that print, no others."""
    home, _ = hostile
    place, project = ["--directory", str(home.folder)], str(home.project)
    channel, cube = home.results / "channels" / "g.fits", home.results / "picture"
    picture = str(next(cube.glob("*.png")))
    verbs = [
        (["check", project, *place], 0),
        (["run", project, *place, "--dry-run"], 0),
        (["run", project, *place], 0),
        (["trace", str(channel), "--all"], 0),
        (["trace", str(channel), "--why-not", ".fits"], 0),
        (["trace", picture, "--prov", str(tmp_path / "prov.json")], 0),
        (["verify", str(home.results), "--all"], 0),
        (["compare", picture, picture], 0),
        (["compare", str(channel), str(channel)], 0),
        (["replay", str(channel), "--into", str(tmp_path / "again"), "--raw", str(tmp_path)], 1),
        (["depth", project, *place], 0),
        (["stars", project], 0),
        (["new", "odd", str(home.raw), "--together"], 0),
    ]
    for words, expected in verbs:
        command = [sys.executable, "-P", "-m", "platecli", *words]
        text = command_line.said(command, expected, checkout=checkout)
        assert text.strip()
        assert all(line.isprintable() for line in text.replace(PLACE, "").split("\n")), words
    draft = (checkout / "config" / "projects" / "odd.yaml").read_text(encoding="utf-8")
    assert all(line.isprintable() for line in draft.replace(PLACE, "").split("\n"))


class _Page(HTMLParser):
    """Collect what a browser would run."""

    def __init__(self):
        super().__init__()
        self.handlers, self.scripts, self._inside = [], [], False

    def handle_starttag(self, tag, attrs):
        """Take attributes that are handlers, and the beginnings of scripts."""
        self.handlers += [value for key, value in attrs if key.startswith("on")]
        self._inside = tag == "script"
        if self._inside:
            self.scripts.append("")

    def handle_endtag(self, tag):
        """Leave a script."""
        self._inside = False

    def handle_data(self, data):
        """Take the text of a script."""
        if self._inside:
            self.scripts[-1] += data


def test_report_runs_nothing_but_its_own(hostile, command_line):
    """In Snakemake's report a text stays a text: none of ours ends or begins a script."""
    home, _ = hostile
    report = home.folder.parent.parent / "report.html"
    words = ["--report", str(report)]
    command_line.said(command([str(home.project)], ["all"], home.folder, extra=words))
    text = report.read_text(encoding="utf-8")
    report.unlink()
    page = _Page()
    page.feed(text)
    assert "other.fits" in text
    assert page.handlers == []
    assert len(page.scripts) > 5
    assert not any(script.startswith("alert") for script in page.scripts)
    assert SCRIPT not in text
