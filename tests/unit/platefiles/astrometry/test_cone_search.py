"""A cone search asked on loopback: a small service that speaks VOTable, and none at all."""

import threading
from http.server import BaseHTTPRequestHandler, HTTPServer
from types import SimpleNamespace
from urllib.parse import parse_qs, urlparse

import numpy as np
import pytest
import yaml

from platefiles.astrometry import cone_search
from platefiles.astrometry.cone_search import fetch_stars
from platefiles.astrometry.star_catalogue import read_star_table
from platefiles.config.load import load_project
from platefiles.plan.grid_jobs import catalogue_digest
from platefiles.plan.project_plan import ProjectPlan
from platefiles.raw_folders.frame_list import build_frame_list
from platefiles.raw_folders.scan import scan_folders

_FIELDS = "".join(
    f'<FIELD name="{name}" datatype="{kind}" ucd="{ucd}"/>'
    for name, kind, ucd in (
        ("source_id", "long", "meta.id;meta.main"),
        ("ra", "double", "pos.eq.ra;meta.main"),
        ("dec", "double", "pos.eq.dec;meta.main"),
        ("phot_g_mean_mag", "float", "phot.mag"),
        ("unused", "double", ""),
    )
)


def _votable(rows):
    cells = "".join(
        "<TR>" + "".join(f"<TD>{value}</TD>" for value in row) + "</TR>" for row in rows
    )
    return (
        '<?xml version="1.0"?><VOTABLE version="1.3" xmlns="http://www.ivoa.net/xml/VOTable/v1.3">'
        '<RESOURCE type="results"><INFO name="QUERY_STATUS" value="OK"/><TABLE>'
        f"{_FIELDS}<DATA><TABLEDATA>{cells}</TABLEDATA></DATA></TABLE></RESOURCE></VOTABLE>"
    ).encode()


@pytest.fixture
def service():
    """A service with twenty stars; its queries are in `asked`."""
    rng = np.random.default_rng(1)
    rows = [
        (k, 158.6 + a, 30 + b, 12 + k / 10, 0)
        for k, (a, b) in enumerate(rng.normal(0, 0.1, (20, 2)))
    ]
    told = SimpleNamespace(asked=[], rows=rows)

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self):  # noqa: N802 (the name that the library calls)
            told.asked.append(parse_qs(urlparse(self.path).query))
            self.send_response(200)
            self.send_header("Content-Type", "text/xml")
            self.end_headers()
            self.wfile.write(_votable(told.rows))

        def log_message(self, *_):
            pass

    with HTTPServer(("127.0.0.1", 0), Handler) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        told.url = f"http://127.0.0.1:{server.server_port}/cone?"
        yield told
        server.shutdown()


@pytest.fixture
def asked(write_project, tiny_raw, tmp_path, monkeypatch):
    """Return a way to fetch the stars of the tiny set; it returns the project."""
    monkeypatch.setattr(cone_search, "_ASKED", set())

    def ask(**sky):
        path = write_project(tmp_path / "projects" / "tiny.yaml", tiny_raw, sky=sky)
        loaded = load_project(path, "")
        raw = scan_folders(loaded.raw_folders, None, False)
        frames = build_frame_list(raw, loaded)
        fetch_stars(loaded, raw, frames)
        return ProjectPlan(loaded, tuple(frames), None, str(tmp_path / "results"))

    return ask


def test_stars_are_fetched_once_and_kept_beside_the_project(asked, service, capsys):
    """The cone holds the field wherever it may lie; a second run asks no more."""
    plan = asked(cone_search=service.url)
    assert plan.star_path.endswith("projects/tiny.stars.vot")
    (query,) = service.asked
    assert float(query["RA"][0]) == pytest.approx(158.6, abs=0.001)
    assert float(query["DEC"][0]) == pytest.approx(30.0, abs=0.001)
    assert 0.7 < float(query["SR"][0]) < 0.8
    table = read_star_table(plan.star_path)
    assert len(table.ra) == 20
    assert list(table.magnitudes) == ["G"]
    cone_search._ASKED.clear()
    digest = catalogue_digest(plan)
    assert catalogue_digest(asked(cone_search=service.url)) == digest
    assert len(service.asked) == 1
    assert capsys.readouterr().err == ""


def test_equal_answers_give_equal_files(asked, service, tmp_path):
    """Deleted and fetched again the file is the same, byte for byte."""
    path = tmp_path / "projects" / "tiny.stars.vot"
    asked(cone_search=service.url)
    before = path.read_bytes()
    path.unlink()
    cone_search._ASKED.clear()
    asked(cone_search=service.url)
    assert path.read_bytes() == before
    assert b"unused" not in before


def test_without_a_network_it_is_said_once_and_tycho_serves(asked, capsys, tmp_path):
    """A service that does not answer holds nothing up."""
    plan = asked(cone_search="http://127.0.0.1:9/cone?")
    asked(cone_search="http://127.0.0.1:9/cone?")
    said = capsys.readouterr().err.splitlines()
    assert len(said) == 1
    assert said[0].startswith(
        "tiny: no stars were fetched: http://127.0.0.1:9/cone? does not answer"
    )
    assert said[0].endswith("; Tycho-2 is used until they are")
    assert plan.star_path is None
    assert catalogue_digest(plan).startswith("Tycho-2 ")
    assert not (tmp_path / "projects" / "tiny.stars.vot").exists()


def test_an_empty_answer_is_no_catalogue(asked, service, capsys):
    """A service that knows no star there is said, and nothing is kept."""
    service.rows.clear()
    assert asked(cone_search=service.url).star_path is None
    assert "it knows no star within" in capsys.readouterr().err


def test_settings_of_the_sky_are_checked(write_project, tiny_raw, tmp_path):
    """One of two coordinates, two catalogues, an odd URL and a missing file are named by line."""
    path = write_project(tmp_path / "p" / "tiny.yaml", tiny_raw)
    project = yaml.safe_load(path.read_text())
    for sky, said in (
        ({"ra_deg": 10.0}, "ra_deg and dec_deg belong together"),
        (
            {"catalogue": "a.csv", "cone_search": "http://x"},
            "a catalogue or a cone_search, not both",
        ),
        ({"cone_search": "ftp://x"}, "must be a URL that begins with http"),
        ({"catalogue": "none.csv"}, "sky.catalogue: no such file"),
        ({"scale_arcsec": 0.0}, "must be greater than 0"),
    ):
        path.write_text(yaml.safe_dump(project | {"sky": sky}))
        with pytest.raises(Exception, match=said):
            load_project(path, "")
