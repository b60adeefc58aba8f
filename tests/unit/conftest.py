"""Invented records, for the tests of all that reads records."""

from types import SimpleNamespace

import pytest

from platefiles.provenance.activities import RawRecord
from platefiles.provenance.record import record_of_inputs

SUB = {
    "id": "light_0001_0a1b2c3d", "name": "2026-03-23/light-0001.fits", "night": "2026-03-23",
    "fingerprint": "9f110b2ce2725d2a", "exposure_s": 180.0,
    "start_utc": "2026-03-23T21:04:11.000", "egain": 0.85, "bias": "bias_heronmere_g120",
    "dark": "dark_180s_heronmere_g120", "flat": "flat_ha_2026-03-23_heronmere_g120",
    "dark_scale": 1.0, "pedestal": 0.0,
}  # fmt: skip
JOB = {"settings": {"a": 1.5}, "code": "0123456789abcdef", "below": "0", "project": "tiny"}


def raw(number, kind="light"):
    """Return the record of an invented raw frame."""
    name = f"2026-03-23/{kind}-{number:04}.fits"
    return RawRecord(f"{number:064x}", name, 32_800_000, kind, f"{number:016x}")


def facts(number, **more):
    """Return the row of a sub in a job."""
    return {**SUB, "id": f"light_{number:04}", "name": raw(number).name, **more}


def master(kind, name, below=()):
    """Return the record of a master of three frames."""
    rows = [{"id": f"{name}_{i}", "name": f"{name}-{i}"} for i in range(3)]
    job = {**JOB, "project": None, "master": name, "frames": rows}
    frames = [raw(9000 + 10 * len(name) + i, kind) for i in range(3)]
    inputs = {"raw": frames} | ({"masters": list(below)} if below else {})
    return record_of_inputs(f"master_{kind}", "m.fits", job, inputs)


def measures(night, numbers, masters):
    """Return the record of the measures of a night."""
    job = {**JOB, "channel": "ha", "night": night, "subs": [facts(n) for n in numbers]}
    inputs = {"raw": [raw(n) for n in numbers], "masters": masters}
    return record_of_inputs("measure_stars", "m.fits", job, inputs)


def channel(nights, masters):
    """Return the record of a channel of nights of numbered subs."""
    measured = [measures(night, numbers, masters) for night, numbers in nights.items()]
    numbers = [number for many in nights.values() for number in many]
    register = record_of_inputs(
        "register", "r.fits", {**JOB, "channel": "ha", "night": "2026-03-23"},
        {"measures": measured, "reference": measured[:1]}, {"lock": "grid: {}\n"},
    )  # fmt: skip
    job = {**JOB, "channel": "ha", "subs": [facts(n) for n in numbers]}
    return record_of_inputs(
        "integrate", "ha.fits", job,
        {"raw": [raw(n) for n in numbers], "masters": masters, "registration": [register],
         "rays": []},
    )  # fmt: skip


@pytest.fixture
def invented():
    """Return builders of records, and the records of a bias, a dark and a flat."""
    bias = master("bias", SUB["bias"])
    masters = [bias, master("dark", SUB["dark"], [bias]), master("flat", SUB["flat"], [bias])]
    return SimpleNamespace(
        raw=raw, facts=facts, master=master, measures=measures, channel=channel, masters=masters
    )
