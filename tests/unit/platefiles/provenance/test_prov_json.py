import json

import pytest
from prov.model import ProvDocument

from platefiles.provenance.prov_json import prov_document, prov_json


@pytest.fixture
def record(invented):
    """Return the record of a channel of three subs."""
    return invented.channel({"2026-03-23": [1, 2], "2026-03-24": [3]}, invented.masters)


def test_the_reader_of_the_library_gets_the_same_document(record):
    """What is written is PROV-JSON: prov's own reader gives back an equal document."""
    text = prov_json(record)
    assert ProvDocument.deserialize(content=text, format="json") == prov_document(record)
    assert prov_json(record) == text


def test_each_thing_stands_in_it_once(record):
    """Raw frames, products and the lock are entities, jobs activities; uses tell their role."""
    data = json.loads(prov_json(record))
    kinds = [name.partition(":")[0] for name in data["entity"]]
    assert kinds.count("raw") == len(record.raws) == 12
    assert kinds.count("product") == len(data["activity"]) == len(record.makings) == 7
    assert kinds.count("text") == 1
    assert len(data["wasGeneratedBy"]) == len(data["wasAssociatedWith"]) == 7
    inputs = sum(len(names) for m in record.makings.values() for names in m.inputs.values())
    assert len(data["used"]) == inputs
    roles = {use["prov:role"] for use in data["used"].values()}
    assert roles == {"raw", "masters", "measures", "reference", "lock", "registration"}
    labels = {agent["prov:label"].split()[0] for agent in data["agent"].values()}
    assert {"platelog", "python", "numpy", "numba"} <= labels


def test_there_is_no_time_in_it(record):
    """Equal products have equal documents: no activity has a time."""
    data = json.loads(prov_json(record))
    assert not any("Time" in key for job in data["activity"].values() for key in job)
    assert not any("prov:time" in use for use in data["used"].values())
