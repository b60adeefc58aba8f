import json
from dataclasses import replace

import numpy as np
import pytest
from astropy.io import fits

from platefiles.core.errors import UserError
from platefiles.fits.hdu_layout import content_digest
from platefiles.fits.products_io import image_hdu, write_product
from platefiles.provenance.activities import RawRecord, Record, making_of
from platefiles.provenance.record import (
    has_record,
    measured_alone,
    raw_record,
    read_record,
    record_hdu,
    record_of_inputs,
)

JOB = {"settings": {"a": 1.5}, "code": "0123456789abcdef", "below": "0", "project": "tiny"}
BIAS, FLAT = "bias_heronmere_g120", "flat_ha_2026-03-23_heronmere_g120"


def test_makings_come_after_what_they_are_made_from(invented):
    """The order is one in which all can be made again; the product itself is the last."""
    record = invented.channel({"2026-03-23": [1, 2], "2026-03-24": [3]}, invented.masters)
    seen = set()
    for making in record.makings.values():
        assert set(making.products) <= seen
        assert set(making.raws) <= set(record.raws)
        seen.add(making.product)
    assert record.making.product == "channels/ha.fits"
    assert list(record.makings)[0] == f"calibration/{BIAS}.fits"
    assert record.making.inputs["raw"] == tuple(f"raw:{n:064x}" for n in (1, 2, 3))
    assert record.makings["registration/ha/2026-03-23.fits"].inputs["lock"] == ("text:lock",)
    assert record.makings["registration/ha/2026-03-23.fits"].texts == {"lock": "grid: {}\n"}


def test_what_is_written_is_what_is_read(tmp_path, invented):
    """A record comes back from a file as it was; of the file itself it tells the digest."""
    record = invented.channel({"2026-03-23": [1, 2]}, invented.masters)
    path, job = tmp_path / "b.fits", {**JOB, "mapping": "\u00e9 <b>"}
    hdu = record_hdu("map_channels", path, job, {"channels": [record]})
    write_product(path, [], [image_hdu(np.zeros((3, 4), np.float32), "SCI"), hdu])
    found = read_record(path)
    assert found.makings["channels/ha.fits"] == record.making
    assert found.raws == record.raws
    assert json.loads(found.making.job) == job
    assert found.making.digest == content_digest(path)
    with fits.open(path) as hdus:
        assert found.making.data == {hdu.name: hdu.header["DATASHA"] for hdu in hdus[1:]}
    assert found.making.product == "picture/b.fits"
    text = fits.getdata(path, "RECORD").tobytes().decode("ascii")
    assert text == found.text
    assert "<" not in text
    assert found.of("channels/ha.fits") == record


def test_the_id_depends_on_what_is_recorded_alone(tmp_path, invented):
    """Two files of one content have one id; another sub gives another."""
    ids = []
    for name, numbers in (("a", [1, 2]), ("b", [1, 2]), ("c", [1, 3])):
        path = tmp_path / name / "ha.fits"
        hdu = record_hdu(
            "map_channels",
            path,
            JOB,
            {"channels": [invented.channel({"2026-03-23": numbers}, invented.masters)]},
        )
        write_product(path, [], [hdu])
        ids.append(read_record(path).id)
    assert ids[0] == ids[1] != ids[2]
    assert len(ids[0]) == 16


def test_jobs_come_back_letter_by_letter(invented):
    """The text of each job is that which the step had: its digest is that in the header."""
    record = invented.channel({"2026-03-23": [1, 2]}, invented.masters)
    making = record.makings["measures/ha/2026-03-23.fits"]
    wanted = {
        **JOB,
        "channel": "ha",
        "night": "2026-03-23",
        "subs": [invented.facts(1), invented.facts(2)],
    }
    assert making.job == json.dumps(wanted, sort_keys=True, separators=(",", ":"))


def test_a_record_of_1000_subs_is_small(invented):
    """A thousand subs on ten nights take less than 0.6 KB each in the record of their channel."""
    nights = {
        f"2026-03-{night:02}": range(100 * night, 100 * night + 100) for night in range(1, 11)
    }
    size = len(invented.channel(nights, invented.masters).text)
    assert 300_000 < size < 600_000


def test_two_states_of_one_product_are_both_kept(invented):
    """Products made from two states of a master each keep theirs, under names of their own."""
    one = invented.measures("2026-03-23", [1], invented.masters)
    making = replace(invented.masters[2].making, digest="ff" * 32)
    other = Record(
        {**invented.masters[2].makings, making.product: making}, invented.masters[2].raws
    )
    two = invented.measures("2026-03-24", [2], [*invented.masters[:2], other])
    both = record_of_inputs(
        "register", "r.fits", {**JOB, "channel": "ha"}, {"measures": [one, two], "reference": []}
    )
    first, second = (both.makings[name].inputs["masters"][2] for name in both.making.products)
    assert first == f"calibration/{FLAT}.fits"
    assert second.endswith(f"/{first}")
    assert both.makings[second].digest == "ff" * 32
    assert both.makings[second].inputs == both.makings[first].inputs


def test_one_sub_alone_knows_nothing_of_the_others(invented):
    """The record of one sub of a night is the same, whoever else was measured."""
    other = invented.master("flat", "flat_of_another_sub")
    alone = measured_alone(invented.measures("2026-03-23", [1], invented.masters), "light_0001")
    among = measured_alone(
        invented.measures("2026-03-23", [3, 1, 2], [*invented.masters, other]), "light_0001"
    )
    assert {**alone.makings, **among.makings} == alone.makings
    assert alone.raws == among.raws
    assert alone.making.product == "measures/ha/2026-03-23_light_0001.fits"
    assert alone.making.digest == ""


def test_a_raw_frame_is_known_by_name_size_and_digest(tmp_path):
    """The size is that of the file, whatever it is called."""
    (tmp_path / "link").write_bytes(b"12345")
    row = {"name": "n.fits", "fingerprint": "f"}
    found = raw_record("dark", row, "ab", tmp_path / "link")
    assert found == RawRecord("ab", "n.fits", 5, "dark", "f")


@pytest.mark.parametrize(
    "content", [b"", b"{}", b'{"format":2}', b'{"format":1,"makings":[],"raws":[],"facts":[]}',
                b'{"format":1,"makings":[{"job":1}],"raws":[],"facts":[]}', b"[1]", b"[" * 99999,
                b'{"format":1,"makings":[],"raws":[[1,2,3,4,5]],"facts":[]}'],
)  # fmt: skip
def test_a_damaged_record_is_one_sentence(tmp_path, content):
    """What is no record of ours is refused with file and remedy."""
    hdu = fits.ImageHDU(np.frombuffer(content, np.uint8) if content else None, name="RECORD")
    write_product(tmp_path / "a.fits", [], [hdu])
    with pytest.raises(UserError, match=r"a.fits: its record is damaged; make the file again"):
        read_record(tmp_path / "a.fits")


@pytest.mark.parametrize("product", ["../../x.fits", "/tmp/x.fits", "", 5])
def test_a_record_cannot_lead_out_of_the_results(product):
    """Files may come from anybody: a product outside of the results is no product."""
    row = dict.fromkeys(("step", "job", "creator", "lock", "software"), "")
    with pytest.raises((ValueError, TypeError)):
        making_of({**row, "product": product, "inputs": {}})
    assert making_of({**row, "product": "channels/ha.fits", "inputs": {}}).digest == ""


def test_files_without_a_record_are_named(tmp_path):
    """A FITS file from elsewhere, and what is no FITS file, have none: one sentence."""
    write_product(tmp_path / "a.fits", [], [])
    (tmp_path / "b.fits").write_text("nothing")
    assert not has_record(tmp_path / "a.fits")
    with pytest.raises(UserError, match=r"a.fits: has no provenance record; name a"):
        read_record(tmp_path / "a.fits")
    with pytest.raises(UserError, match=r"b.fits: is not a FITS file; name a FITS file that a run"):
        read_record(tmp_path / "b.fits")
