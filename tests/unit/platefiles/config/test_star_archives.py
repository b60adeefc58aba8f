"""Published catalogues, asked of a service on loopback that answers as TAP services do.

The service understands the queries that are sent: it picks the brightest stars of a circle on the
sphere from a sky of its own. Faults are those that such services show.
"""

import gzip
import json
import re
import threading
from dataclasses import replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import SimpleNamespace
from urllib.parse import parse_qs

import numpy as np
import pytest
import yaml

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

_QUERY = re.compile(
    r"SELECT TOP (?P<top>\d+) (?P<columns>.+) FROM (?P<table>\S+) WHERE 1 = "
    r"CONTAINS\(POINT\('ICRS', (?P<x>[^,]+), (?P<y>[^)]+)\), CIRCLE\('ICRS', "
    r"(?P<ra>[\d.]+), (?P<dec>-?[\d.]+), (?P<radius>[\d.]+)\)\) "
    r"AND (?P<band>\S+) < (?P<faintest>[\d.]+) ORDER BY (?P<order>\S+)"
)


_IDENTITIES = ("source_id", "UCAC4")


def _votable(names, columns, status="OK", told=""):
    """A table as services write it; the last status counts."""
    fields = "".join(
        f'<FIELD name="{name}" datatype="{"long" if name in _IDENTITIES else "double"}"/>'
        for name in names
    )
    rows = "".join(
        "<TR>" + "".join(f"<TD>{value}</TD>" for value in row) + "</TR>"
        for row in zip(*(column.tolist() for column in columns), strict=True)
    )
    return (
        '<?xml version="1.0"?><VOTABLE version="1.3" xmlns="http://www.ivoa.net/xml/VOTable/v1.3">'
        f'<RESOURCE type="results"><INFO name="QUERY_STATUS" value="OK"/><TABLE>{fields}<DATA>'
        f"<TABLEDATA>{rows}</TABLEDATA></DATA></TABLE>"
        f'<INFO name="QUERY_STATUS" value="{status}">{told}</INFO></RESOURCE></VOTABLE>'
    ).encode()


def _refusal(told):
    return (
        '<?xml version="1.0"?><VOTABLE version="1.3" xmlns="http://www.ivoa.net/xml/VOTable/v1.3">'
        f'<RESOURCE type="results"><INFO name="QUERY_STATUS" value="ERROR">{told}</INFO>'
        "</RESOURCE></VOTABLE>"
    ).encode()


class _Handler(BaseHTTPRequestHandler):
    """Answers queries over the server's `sky`, with the fault that the path names."""

    def do_POST(self):  # noqa: N802 (the name that the library calls)
        form = self.rfile.read(int(self.headers["Content-Length"])).decode()
        fields = {key: values[0] for key, values in parse_qs(form).items()}
        self.server.told.asked.append((self.path, fields))
        self.server.told.agents.append(self.headers["User-Agent"])
        _, fault, *_ = self.path.split("/")
        getattr(self, f"_{fault}", self._good)(fields)

    def do_GET(self):  # noqa: N802
        if self.path.startswith("/result"):
            self._reply(self.server.told.result)
        elif self.path.startswith("/cone?"):
            self._cone({key: float(v[0]) for key, v in parse_qs(self.path[6:]).items()})
        else:
            self._send(302, {"Location": self.path + "x"}, b"")

    def _select(self, fields, top=None):
        match = _QUERY.fullmatch(fields["QUERY"])
        assert match, fields["QUERY"]
        sky = self.server.told.sky
        ra, dec, radius = (float(match[name]) for name in ("ra", "dec", "radius"))
        inside = separation_deg(ra, dec, sky["ra"], sky["dec"]) <= radius
        inside &= sky[match["band"]] < float(match["faintest"])
        rows = np.flatnonzero(inside)
        rows = rows[np.argsort(sky[match["order"]][rows], kind="stable")]
        names = match["columns"].split(", ")
        return names, [sky[name][rows[: top or int(match["top"])]] for name in names]

    def _good(self, fields):
        self._reply(_votable(*self._select(fields)))

    def _cone(self, query):
        """All stars of a circle in no order, with capitals and signs in the names of columns."""
        sky = self.server.told.sky
        inside = separation_deg(query["RA"], query["DEC"], sky["ra"], sky["dec"]) <= query["SR"]
        names = ("source_id", "ra", "dec", "phot_g_mean_mag", "phot_bp_mean_mag")
        spelled = ("UCAC4", "RAJ2000", "DEJ2000", "f.mag", "Bmag")
        self._reply(_votable(spelled, [sky[name][inside] for name in names]))

    def _overflow(self, fields):
        self._reply(_votable(*self._select(fields, 600), "OVERFLOW"))

    def _unordered(self, fields):
        names, columns = self._select(fields, 600)
        self._reply(_votable(names, [column[::-1] for column in columns], "OVERFLOW"))

    def _few(self, fields):
        self._reply(_votable(*self._select(fields, 40), "OVERFLOW"))

    def _gzip(self, fields):
        self._reply(gzip.compress(_votable(*self._select(fields))))

    def _bomb(self, fields):
        self._reply(gzip.compress(bytes(3 << 20)))

    def _later(self, fields):
        self.server.told.result = _votable(*self._select(fields))
        self._send(303, {"Location": "/result"}, b"")

    def _loop(self, fields):
        self._send(302, {"Location": "/again/"}, b"")

    def _html(self, fields):
        self._reply(b"<!DOCTYPE html><html><body>Down for maintenance</body></html>", "text/html")

    def _error(self, fields):
        self._reply(_refusal("Column \n\u009b31m ra is unknown"))

    def _malformed(self, fields):
        self._reply(_refusal("\x1b[31m"))

    def _bad(self, fields):
        self._send(400, {}, _refusal("Incorrect ADQL query"))

    def _busy(self, fields):
        self._send(503, {}, b"<html>busy</html>")

    def _cut(self, fields):
        body = _votable(*self._select(fields))
        self._send(200, {}, body[: len(body) // 2])

    def _dropped(self, fields):
        body = _votable(*self._select(fields))
        self._send(200, {"Content-Length": str(len(body))}, body[: len(body) // 2])

    def _huge(self, fields):
        self._reply(_votable(*self._select(fields)) + b" " * (3 << 20))

    def _columns(self, fields):
        names, columns = self._select(fields)
        self._reply(_votable([f"c{k}" for k in range(len(names))], columns))

    def _elsewhere(self, fields):
        names, columns = self._select(fields)
        columns[names.index("dec")] = columns[names.index("dec")] - 20.0
        self._reply(_votable(names, columns))

    def _empty(self, fields):
        names, columns = self._select(fields)
        self._reply(_votable(names, [column[:0] for column in columns]))

    def _dirty(self, fields):
        """Each star twice, then places and magnitudes that are none."""
        names, columns = self._select(fields)
        columns = [np.concatenate([column, column, column[:3]]) for column in columns]
        columns[names.index("source_id")][-3:] = [-1, -2, -3]
        columns[names.index("ra")][-3] = np.nan
        columns[names.index("dec")][-2] = 1e20
        columns[names.index("phot_g_mean_mag")][-1] = 99.99
        self._reply(_votable(names, columns))

    def _silent(self, fields):
        self.server.told.gate.wait(5)

    def _drip(self, fields):
        self.send_response(200)
        self.end_headers()
        for _ in range(40):
            self.server.told.gate.wait(0.02)
            self.wfile.write(b" ")

    def _entities(self, fields):
        self._reply(b'<!DOCTYPE VOTABLE [<!ENTITY a "aaaa">]><VOTABLE>&a;</VOTABLE>')

    def _reply(self, body, kind="application/x-votable+xml"):
        self._send(200, {"Content-Type": kind}, body)

    def _send(self, status, headers, body):
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_):
        pass


def _sky():
    """Stars over the field of the tiny set, over 0 h and over a pole, with all columns of Gaia."""
    rng = np.random.default_rng(7)
    count = 3000
    ra = np.concatenate([158.6 + rng.uniform(-1.5, 1.5, count), rng.uniform(-1, 1, count) % 360])
    dec = np.concatenate([30 + rng.uniform(-1.5, 1.5, count), rng.uniform(-1, 1, count)])
    ra = np.concatenate([ra, rng.uniform(0, 360, count)])
    dec = np.concatenate([dec, 90 - 2 * np.sqrt(rng.random(count))])
    g = np.round(rng.uniform(8, 17, 3 * count), 4)
    sky = {"ra": ra, "dec": dec, "phot_g_mean_mag": g, "source_id": np.arange(3 * count) + 10**18}
    sky |= {"pmra": rng.normal(0, 5, 3 * count), "pmdec": rng.normal(0, 5, 3 * count)}
    return sky | {"phot_bp_mean_mag": g + 0.3, "phot_rp_mean_mag": g - 0.5}


@pytest.fixture(scope="module")
def server():
    """The service; what it was asked is in `asked`."""
    told = SimpleNamespace(asked=[], agents=[], sky=_sky(), result=b"", gate=threading.Event())
    with ThreadingHTTPServer(("127.0.0.1", 0), _Handler) as one:
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
        f"{len(table.ra)} stars of Gaia DR3 fetched from mirror 1, kept in tiny.gaia-dr3.vot"
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
        ("cut", "its answer was cut off"),
        ("dropped", "its answer was cut off"),
        ("huge", "its answer is larger than 2 MB"),
        ("bomb", "its answer is larger than 2 MB"),
        ("loop", "it redirects without end"),
        ("columns", "its table has no column ra of numbers"),
        ("elsewhere", "none of its stars lies in the circle that was asked for"),
        ("empty", "it knows no star within 0."),
        ("unordered", "it cuts its answer at 600 stars"),
        ("few", "it cuts its answer at 40 stars"),
        ("silent", "it does not answer in time"),
        ("drip", "its answer takes longer than 0 s"),
    ],
)
def test_faults_are_told_and_the_next_mirror_serves(fault, said, asked, service, monkeypatch):
    """One sentence names the archive and what is wrong; a whole mirror makes up for it."""
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
    assert came.text == "300 stars of UCAC4 fetched from VizieR, kept in tiny.ucac4.vot"
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
        match = _QUERY.fullmatch(adql(service, one.brightness, (-1e-9, -89.5, 1e-5), 17.123, 9))
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
    assert said.startswith("no zero point by stars: 2 stars are too few (3 of 5 in the field are")
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
        r"deep: \d+ stars of Gaia DR3 fetched from mirror 1, kept in deep.gaia-dr3.vot", deep
    )
    assert plain == (
        "plain: uses Tycho-2; for fainter stars add the line `sky: {catalogue: gaia-dr3}` to "
        "plain.yaml, or `catalogue: gaia-dr3` to the `sky` that it has"
    )
    assert command.main(["stars"]) == 0
    assert capsys.readouterr().out.startswith("deep: stars are kept in deep.gaia-dr3.vot\n")
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
    assert "kept in plain.gaia-dr3.vot; to use them, add the line `sky: {catalogue: gaia" in plain
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
