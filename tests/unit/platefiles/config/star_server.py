"""A server of star catalogues for tests, with the faults of real ones."""

import gzip
import re
from http.server import BaseHTTPRequestHandler
from urllib.parse import parse_qs

import numpy as np

from platelib.astrometry.celestial import separation_deg

QUERY = re.compile(
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


class Handler(BaseHTTPRequestHandler):
    """Answers queries over the server's `sky`, with the fault that the path names."""

    def do_POST(self):  # noqa: N802 (the name that the library calls)
        """Answer a query sent as a form."""
        form = self.rfile.read(int(self.headers["Content-Length"])).decode()
        fields = {key: values[0] for key, values in parse_qs(form).items()}
        self.server.told.asked.append((self.path, fields))
        self.server.told.agents.append(self.headers["User-Agent"])
        _, fault, *_ = self.path.split("/")
        getattr(self, f"_{fault}", self._good)(fields)

    def do_GET(self):  # noqa: N802
        """Answer a query in the address, or give the result of an earlier one."""
        if self.path.startswith("/result"):
            self._reply(self.server.told.result)
        elif self.path.startswith("/cone?"):
            self._cone({key: float(v[0]) for key, v in parse_qs(self.path[6:]).items()})
        else:
            self._send(302, {"Location": self.path + "x"}, b"")

    def _select(self, fields, top=None):
        match = QUERY.fullmatch(fields["QUERY"])
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
        """Say nothing."""


def sky_of_stars():
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
