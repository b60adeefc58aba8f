"""Published catalogues, asked of a service on loopback that answers as TAP services do.

The service understands the queries that are sent: it picks the brightest stars of a circle on the
sphere from a sky of its own. Faults are those that such services show.
"""

import json
import re
import threading
from dataclasses import replace
from http.server import ThreadingHTTPServer
from types import SimpleNamespace

import numpy as np
import pytest
import yaml
from unit.platefiles.config.star_server import QUERY, Handler, sky_of_stars

from platecli import __main__ as command
from platecli.text import outcome
from platecli.verbs import check
from platecli.verbs import stars as verb
from platefiles.astrometry import archive_answers, cone_search
from platefiles.astrometry.star_catalogue import read_star_table
from platefiles.config import project as project_models
from platefiles.config import star_archives
from platefiles.config.load import load_project
from platefiles.config.star_archives import CATALOGUES, GAIA_DR3, Service, adql
from platefiles.photometry import zero_point
from platefiles.photometry.passbands import choose_band
from platefiles.plan.grid_jobs import solution_job
from platefiles.raw_folders.frame_list import build_frame_list
from platefiles.raw_folders.scan import scan_folders
from platefiles.workflow.open_project import open_projects
from platelib.astrometry.celestial import separation_deg


@pytest.fixture(scope="module")
def server():
    """A service; its queries are in `asked`."""
    told = SimpleNamespace(
        asked=[], agents=[], sky=sky_of_stars(), result=b"", gate=threading.Event()
    )
    with ThreadingHTTPServer(("127.0.0.1", 0), Handler) as one:
        one.told, one.daemon_threads = told, True
        threading.Thread(target=one.serve_forever, daemon=True).start()
        told.url = f"http://127.0.0.1:{one.server_port}"
        yield told
        told.gate.set()
        one.shutdown()


@pytest.fixture
def service(server, monkeypatch):
    """Return a way to have Gaia DR3 served by mirrors with the faults given."""
    server.asked.clear()
    monkeypatch.setattr(cone_search, "_ASKED", set())
    monkeypatch.setattr(cone_search, "_SILENT", set())

    def serve(*faults):
        columns = GAIA_DR3.services[0].columns
        mirrors = tuple(
            Service(f"mirror {k}", f"{server.url}/{fault}/tap", "gaiadr3.gaia_source", columns)
            for k, fault in enumerate(faults, start=1)
        )
        served = {**CATALOGUES, "gaia-dr3": replace(GAIA_DR3, services=mirrors)}
        for module in (star_archives, cone_search, project_models):
            monkeypatch.setattr(module, "CATALOGUES", served)
        return server

    return serve


@pytest.fixture
def asked(write_project, tiny_raw, tmp_path):
    """Return a way to fetch the stars of the tiny set: what came, and the path of the table."""

    def ask(again=False, **sky):
        sky = {"catalogue": "gaia-dr3"} | sky
        loaded = load_project(write_project(tmp_path / "p" / "tiny.yaml", tiny_raw, sky=sky), "")
        raw = scan_folders(loaded.raw_folders, None, False)
        frames = build_frame_list(raw, loaded)
        return cone_search.stars_of(loaded, raw, frames, again=again), loaded.star_path

    return ask


def test_one_query_fetches_the_brightest_stars_of_the_field(asked, service):
    """A TAP query by ADQL, once; the table beside the project is a catalogue with all its bands."""
    told = service("good")
    came, path = asked()
    assert came.state == "fetched"
    assert path.name == "tiny.gaia-dr3.vot"
    ((where, fields),) = told.asked
    assert where == "/good/tap/sync"
    assert (fields["REQUEST"], fields["LANG"], fields["FORMAT"]) == ("doQuery", "ADQL", "votable")
    assert told.agents[-1].startswith("platelog/")
    table = read_star_table(path)
    assert came.text == (
        f"{len(table.ra)} stars of Gaia DR3 fetched from mirror 1, stored in tiny.gaia-dr3.vot"
    )
    sky = told.sky
    near = separation_deg(158.6, 30.0, sky["ra"], sky["dec"]) <= 0.74
    assert 0 <= len(table.ra) - near.sum() < 40
    assert list(table.magnitudes) == ["G", "BP", "RP"]
    assert (np.diff(table.magnitudes["G"]) >= 0).all()
    assert set(table.ref_epoch) == {2016.0}
    which = np.flatnonzero(sky["source_id"] == int(table.identity[5]))[0]
    assert (table.ra[5], table.dec[5]) == pytest.approx((sky["ra"][which], sky["dec"][which]))
    assert table.pm_ra[5] == pytest.approx(sky["pmra"][which], abs=1e-5)
    assert asked()[0].state == "kept"
    assert len(told.asked) == 1
    assert choose_band(["R"], None, table.magnitudes).colour == ("BP", "RP")


@pytest.mark.parametrize(
    ("fault", "said"),
    [
        ("busy", "it answers with HTTP status 503"),
        ("bad", "it answers with HTTP status 400: Incorrect ADQL query"),
        ("error", r"it says: Column \u009b31m ra is unknown"),
        ("malformed", "its answer is no valid VOTable ("),
        ("html", "it answers with a web page"),
        ("entities", "its answer is no plain VOTable"),
        ("cut", "its answer was truncated"),
        ("dropped", "its answer was truncated"),
        ("huge", "its answer is larger than 2 MB"),
        ("bomb", "its answer is larger than 2 MB"),
        ("loop", "it redirects endlessly"),
        ("columns", "its table has no column ra of numbers"),
        ("elsewhere", "none of its stars lies in the circle that was asked for"),
        ("empty", "it knows no star within 0."),
        ("unordered", "it truncates its answer at 600 stars"),
        ("few", "it truncates its answer at 40 stars"),
        ("silent", "it does not answer in time"),
        ("drip", "its answer takes longer than 0 s"),
    ],
)
def test_faults_are_told_and_the_next_mirror_serves(fault, said, asked, service, monkeypatch):
    """One sentence names the archive and its fault; an intact mirror replaces it."""
    monkeypatch.setattr(archive_answers, "_LARGEST_BYTES", 2 << 20)
    monkeypatch.setattr(archive_answers, "_SILENCE_S", 0.3)
    monkeypatch.setattr(archive_answers, "_LONGEST_S", 0.2 if fault == "drip" else 60.0)
    told = service(fault)
    came, path = asked()
    assert came.state == "failed"
    assert came.text.startswith(f"no archive gives Gaia DR3 (mirror 1: {said}")
    assert "\n" not in came.text
    assert list(path.parent.iterdir()) == [path.with_name("tiny.yaml")]
    monkeypatch.setattr(archive_answers, "_LONGEST_S", 60.0)
    told = service(fault, "good")
    cone_search._SILENT.clear()
    told.asked.clear()
    assert "from mirror 2" in asked()[0].text
    assert len([where for where, _ in told.asked if where.endswith("/sync")]) == 2


@pytest.mark.parametrize("kind", ["overflow", "gzip", "later", "dirty"])
def test_odd_but_usable_answers_give_the_stars(kind, asked, service):
    """The brightest part of a cut answer, packed ones, redirected ones and those with bad rows."""
    service("good")
    whole = read_star_table(asked()[1])
    service(kind)
    came, path = asked(again=True)
    assert came.state == "fetched"
    table = read_star_table(path)
    most = 600 if kind == "overflow" else len(whole.ra)
    assert table.identity.tolist() == whole.identity.tolist()[:most]


def test_cone_search_makes_up_for_a_silent_tap_service(asked, service, monkeypatch):
    """The columns of a cone search are known by name, and the brightest of its stars are kept."""
    told = service("good")
    ucac4 = CATALOGUES["ucac4"]
    tap = replace(ucac4.services[0], url=f"{told.url}/busy/tap")
    cone = replace(ucac4.services[1], url=f"{told.url}/cone")
    assert cone.is_cone_search and not tap.is_cone_search
    served = {**CATALOGUES, "ucac4": replace(ucac4, services=(tap, cone))}
    for module in (star_archives, cone_search, project_models):
        monkeypatch.setattr(module, "CATALOGUES", served)
    monkeypatch.setattr(cone_search, "_MOST_ROWS", 300)
    came, path = asked(catalogue="ucac4")
    assert came.text == "300 stars of UCAC4 fetched from VizieR, stored in tiny.ucac4.vot"
    table = read_star_table(path)
    assert list(table.magnitudes) == ["f", "B"]
    assert set(table.ref_epoch) == {2000.0}
    near = separation_deg(158.6, 30.0, told.sky["ra"], told.sky["dec"]) <= 0.72
    faintest = np.sort(told.sky["phot_g_mean_mag"][near])[299]
    assert table.magnitudes["f"].max() <= faintest
    wide = asked(catalogue="ucac4", again=True, scale_arcsec=60.0)[0]
    assert wide.text == ("no archive gives UCAC4 (CDS Strasbourg: it answers with HTTP status 503)")


def test_mirrors_give_equal_files_and_a_silent_one_is_asked_last(asked, service):
    """Which mirror serves does not change the table; one that failed waits for the next project."""
    service("good")
    first = asked()[1].read_bytes()
    told = service("busy", "later")
    assert asked(again=True)[1].read_bytes() == first
    told.asked.clear()
    asked(again=True)
    assert [where for where, _ in told.asked] == ["/later/tap/sync"]


def test_a_failed_fetch_leaves_what_was_kept(asked, service):
    """The table that is there stays as it is when archives fail."""
    service("good")
    kept = asked()[1].read_bytes()
    service("cut")
    came, path = asked(again=True)
    assert came.state == "failed"
    assert path.read_bytes() == kept


def test_a_table_of_another_field_is_fetched_anew(asked, service):
    """When the project points elsewhere the circle that was kept holds the field no more."""
    told = service("good")
    before = asked(ra_deg=158.6, dec_deg=30.0)[1].read_bytes()
    came, path = asked(ra_deg=0.05, dec_deg=0.1)
    assert came.state == "fetched"
    assert path.read_bytes() != before
    assert asked(ra_deg=0.15, dec_deg=0.0)[0].state == "kept"
    assert len(told.asked) == 2


@pytest.mark.parametrize(("ra", "dec"), [(0.02, 0.3), (359.99, -0.2), (123.0, 89.9), (10.0, 90.0)])
def test_circles_over_0_h_and_poles_hold_all_their_stars(ra, dec, asked, service):
    """A circle on the sphere needs no care at right ascension 0 and at the poles."""
    told = service("good")
    table = read_star_table(asked(ra_deg=ra, dec_deg=dec)[1])
    near = separation_deg(ra, dec, told.sky["ra"], told.sky["dec"]) <= 0.72
    assert near.sum() > 200
    assert set(table.identity) >= {str(number) for number in told.sky["source_id"][near]}


@pytest.mark.parametrize("name", list(CATALOGUES))
def test_queries_are_adql_with_the_columns_of_each_table(name):
    """Each service has places, the band that orders stars, and a query of plain ADQL 2.0."""
    one = CATALOGUES[name]
    for service in one.services:
        assert service.url.startswith("https://")
        assert {"ra", "dec", one.brightness} <= set(service.columns)
        if service.is_cone_search:
            continue
        bands = [name.split("_")[1] for name in service.columns if "mag" in name]
        bands = [{"g": "G", "bp": "BP", "rp": "RP"}[b] for b in bands] if one is GAIA_DR3 else bands
        assert choose_band(["R"], None, bands).uncalibrated == ""
        assert choose_band(["R"], None, bands).colour
        match = QUERY.fullmatch(adql(service, one.brightness, (-1e-9, -89.5, 1e-5), 17.123, 9))
        assert match
        assert (match["ra"], match["dec"], match["radius"]) == (
            "0.000000",
            "-89.500000",
            "0.000010",
        )
        assert match["band"] == match["order"] == service.columns[one.brightness]
        assert match["table"] == service.table


def test_limits_of_magnitude_follow_the_size_of_the_circle_and_the_stars_there():
    """A wide circle and one in the Milky Way are asked for brighter stars."""
    pole, plane = (192.9, 27.1), (290.0, 12.0)
    assert cone_search._faintest((*plane, 0.7)) < cone_search._faintest((*pole, 0.7)) - 1
    assert cone_search._faintest((*pole, 4.0)) < cone_search._faintest((*pole, 0.7)) - 3
    assert 11 <= cone_search._faintest((*plane, 5.0)) < 14


def test_no_archive_is_asked_unless_the_project_says_so(write_project, tiny_raw, tmp_path, service):
    """A project without the key, and one with a table, are opened for a run without a query."""
    told = service("good")
    for sky in ({}, {"ra_deg": 158.6, "dec_deg": 30.0}):
        path = write_project(tmp_path / "p" / "tiny.yaml", tiny_raw, sky=sky)
        plans, problems = open_projects([str(path)], tmp_path, True, False, tmp_path)
        assert not problems
        assert plans["tiny"].star_path is None
    assert told.asked == []


def test_a_run_fetches_once_and_a_look_ahead_never(
    write_project, tiny_raw, tmp_path, service, capsys
):
    """Opening for `check` announces the query; opening for a run keeps the stars and says so."""
    told = service("good")
    path = write_project(tmp_path / "p" / "tiny.yaml", tiny_raw, sky={"catalogue": "gaia-dr3"})
    for dry_run, count in ((True, 0), (False, 1), (False, 1)):
        plans, _ = open_projects([str(path)], tmp_path, True, dry_run, tmp_path)
        assert len(told.asked) == count
        ahead = list(check._star_lines(SimpleNamespace(plan=plans["tiny"])))
        expected = "  stars of Gaia DR3: fetched by the next run, or by `platelog.py stars tiny`"
        assert ahead == ([expected] if dry_run else [])
    assert plans["tiny"].star_path == str(path.with_name("tiny.gaia-dr3.vot"))
    assert json.loads(solution_job(plans["tiny"]))["stars"]["name"] == "Gaia DR3"
    assert capsys.readouterr().out.count("stars of Gaia DR3 fetched from mirror 1") == 1


def test_a_name_that_is_none_is_told_with_those_that_are(write_project, tiny_raw, tmp_path):
    """A misspelt name is no missing file only: the nearest name and all others are shown."""
    path = write_project(tmp_path / "p" / "tiny.yaml", tiny_raw)
    project = yaml.safe_load(path.read_text())
    path.write_text(yaml.safe_dump(project | {"sky": {"catalogue": "gaia-dr4"}}))
    with pytest.raises(Exception, match="did you mean 'gaia-dr3'.* gaia-dr3, atlas-refcat2, ucac4"):
        load_project(path, "")


@pytest.mark.parametrize(
    ("by_tycho", "end"), [(True, "gives fainter stars"), (False, "saturated)")]
)
def test_missing_zero_points_name_the_line_where_it_helps(by_tycho, end):
    """Stars of Tycho-2 that are saturated are a reason for a deeper catalogue, others are none."""
    said = zero_point._too_few("2 stars are too few", 5, 3, by_tycho)
    assert said.startswith("no zero point from stars: 2 stars are too few (3 of 5 in the field are")
    assert said.endswith(end)
    assert ("`catalogue: gaia-dr3` under `sky`" in said) == by_tycho


@pytest.fixture
def projects(write_project, tiny_raw, tmp_path, monkeypatch):
    """Two projects: one that names a catalogue and one that names none."""
    folder = tmp_path / "projects"
    write_project(folder / "deep.yaml", tiny_raw, sky={"catalogue": "gaia-dr3"})
    write_project(folder / "plain.yaml", tiny_raw)
    monkeypatch.setattr(verb, "PROJECTS", folder)
    return folder


def test_stars_fetches_for_all_projects_and_says_what_each_has(projects, service, capsys):
    """One call serves all; who names no catalogue is told the line to add."""
    service("good")
    assert command.main(["stars"]) == 0
    deep, plain = capsys.readouterr().out.splitlines()
    assert re.fullmatch(
        r"deep: \d+ stars of Gaia DR3 fetched from mirror 1, stored in deep.gaia-dr3.vot", deep
    )
    assert plain == (
        "plain: uses Tycho-2; for fainter stars add the line `sky: {catalogue: gaia-dr3}` to "
        "plain.yaml, or `catalogue: gaia-dr3` to the `sky` that it has"
    )
    assert command.main(["stars"]) == 0
    assert capsys.readouterr().out.startswith("deep: stars are stored in deep.gaia-dr3.vot\n")
    assert {path.name for path in projects.iterdir()} == {
        "deep.yaml",
        "plain.yaml",
        "deep.gaia-dr3.vot",
    }


def test_stars_fetches_a_named_catalogue_for_projects_that_name_none(projects, service, capsys):
    """With --catalogue all projects have their table; the line that makes them use it is shown."""
    service("good")
    assert command.main(["stars", "--catalogue", "gaia-dr3"]) == 0
    plain = capsys.readouterr().out.splitlines()[1]
    assert "stored in plain.gaia-dr3.vot; to use them, add the line `sky: {catalogue: gaia" in plain
    assert (projects / "plain.gaia-dr3.vot").is_file()
    assert load_project("plain", projects).star_path is None


def test_stars_that_fail_end_in_a_status_and_a_line_each(projects, service, capsys):
    """A project whose archives are silent is told, and the others are served all the same."""
    service("busy")
    assert command.main(["stars"]) == outcome.FAILED
    out, err = capsys.readouterr()
    assert err == (
        "deep: not fetched: no archive gives Gaia DR3 (mirror 1: it answers with HTTP status 503)\n"
    )
    assert out.startswith("plain: ")
    assert command.main(["stars", "--catalogue", "gaia-3"]) == outcome.WRONG
    assert "did you mean 'gaia-dr3'" in capsys.readouterr().err
