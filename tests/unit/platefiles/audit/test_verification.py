import hashlib
import json

import numpy as np
import pytest
from astropy.io import fits

from platefiles.audit.findings import CHANGED, MISSING, OK
from platefiles.audit.verification import verify
from platefiles.fits.products_io import image_hdu, write_product
from platefiles.provenance.activities import RawRecord
from platefiles.provenance.header_provenance import making_cards
from platefiles.provenance.record import read_record, record_hdu
from platefiles.workflow.noted_plan import note_products

JOB = {"settings": {}, "code": "0123456789abcdef", "project": None, "master": "bias_a"}
CONTENTS = {"night 1/bias-01.fits": b"first", "night 1/bias-02.fits": b"second"}


@pytest.fixture
def master(tmp_path):
    """Write a master of two raw frames that are nowhere yet."""
    frames = [{"id": name, "name": name} for name in CONTENTS]
    raws = [
        RawRecord(hashlib.sha256(content).hexdigest(), name, len(content), "bias", "f")
        for name, content in CONTENTS.items()
    ]
    path = tmp_path / "results" / "tiny" / "calibration" / "bias_a.fits"
    job = {**JOB, "frames": frames}
    write_product(
        path,
        making_cards("master_bias", job),
        [
            image_hdu(np.zeros((3, 4), np.float32), "SCI"),
            record_hdu("master_bias", path, job, {"raw": raws}),
        ],
    )
    return path


def write_dark(master):
    """Write a product of the master beside it, and return its path."""
    path, job = master.with_name("dark_a.fits"), {**JOB, "master": "dark_a", "frames": []}
    hdus = [image_hdu(np.ones((3, 4), np.float32), "SCI")]
    record = record_hdu("master_dark", path, job, {"masters": [master]})
    write_product(path, making_cards("master_dark", job), [*hdus, record])
    return path


def written_again(master, value=0.0, cards=()):
    """Write the master with other pixels, or with more cards, and the record that it had."""
    with fits.open(master) as hdus:
        record = fits.ImageHDU(hdus["RECORD"].data.copy(), name="RECORD")
    image = image_hdu(np.full((3, 4), value, np.float32), "SCI")
    job = json.loads(read_record(master).making.job)
    write_product(master, [*making_cards("master_bias", job), *cards], [image, record])


def put(folder, name, content):
    """Write a raw frame."""
    (folder / name).parent.mkdir(parents=True, exist_ok=True)
    (folder / name).write_bytes(content)


def raw_states(done):
    """Return the states of raw frames by name."""
    return {f.name: f.state for f in done.findings if f.kind == "raw frame"}


def test_raw_frames_are_sought_by_name_and_by_content(master, tmp_path):
    """A frame that was renamed is found; one of the same name in another folder is no fault."""
    put(tmp_path / "a", "night 1/bias-01.fits", b"other")
    put(tmp_path / "b", "night 1/bias-01.fits", b"first")
    put(tmp_path / "b", "renamed.fits", b"second")
    done = verify([master], [tmp_path / "a", tmp_path / "b"])
    assert set(raw_states(done).values()) == {OK}
    (tmp_path / "b" / "night 1" / "bias-01.fits").unlink()
    done = verify([master], [tmp_path / "a", tmp_path / "b"])
    assert raw_states(done)[str(tmp_path / "a" / "night 1" / "bias-01.fits")] == CHANGED


def test_without_a_folder_the_links_of_the_project_lead_to_the_frames(master, tmp_path):
    """Links are followed and their targets checked; a dangling link is a missing frame."""
    links = tmp_path / "results" / "tiny" / "links"
    links.mkdir()
    for number, (name, content) in enumerate(CONTENTS.items()):
        put(tmp_path / "raw", name, content)
        (links / f"{number}.fits").symlink_to(tmp_path / "raw" / name)
    assert verify([master]).count(OK) == 3
    (tmp_path / "raw" / "night 1" / "bias-02.fits").unlink()
    assert raw_states(verify([master]))["night 1/bias-02.fits"] == MISSING


def test_frames_that_are_not_used_any_more_are_found_by_the_sheet(master, tmp_path):
    """An excluded frame has no link; its path comes from the list of frames."""
    lines = ["id\tpath\trole"]
    for number, (name, content) in enumerate(CONTENTS.items()):
        put(tmp_path / "raw", name, content)
        lines.append(f"{number}\t{tmp_path / 'raw' / name}\tunused")
    (tmp_path / "results" / "tiny" / "frames.tsv").write_text("\n".join(lines) + "\n")
    assert verify([master]).count(OK) == 3


def test_products_of_an_earlier_plan_are_told_apart(master, tmp_path):
    """What the last plan has not is no fault, nor is the loss of frames that it alone needs."""
    results = tmp_path / "results" / "tiny"
    put(tmp_path / "raw", "night 1/bias-01.fits", b"first")
    note_products(results, [str(master)])
    done = verify([master], [tmp_path / "raw"])
    assert (done.left_over, done.count(MISSING)) == ([], 1)
    note_products(results, [f"{results}/calibration/other.fits"])
    done = verify([master], [tmp_path / "raw"])
    assert (done.left_over, done.lost) == ([str(master)], ["night 1/bias-02.fits"])
    assert (done.count(OK), done.count(MISSING), done.count(CHANGED)) == (2, 0, 0)
    put(tmp_path / "raw", "night 1/bias-02.fits", b"another night")
    assert verify([master], [tmp_path / "raw"]).lost == ["night 1/bias-02.fits"]
    content = bytearray(master.read_bytes())
    content[len(content) // 2] ^= 4
    master.write_bytes(content)
    assert verify([master], [tmp_path / "raw"]).count(CHANGED) == 1


@pytest.mark.parametrize(
    ("change", "other"),
    [({"value": 1.0}, "the data of SCI"), ({"cards": [("OBJECT", "new")]}, "its headers")],
)
def test_what_a_product_was_made_from_is_compared_unit_by_unit(master, tmp_path, change, other):
    """The record lists the SHA-256 of each data unit, so that the changed one can be named."""
    for name, content in CONTENTS.items():
        put(tmp_path / "raw", name, content)
    dark = write_dark(master)
    below = read_record(dark).makings["calibration/bias_a.fits"]
    with fits.open(master) as hdus:
        assert below.data == {hdu.name: hdu.header["DATASHA"] for hdu in hdus[1:]}
    written_again(master)
    assert verify([dark], [tmp_path / "raw"]).count(CHANGED) == 0
    written_again(master, **change)
    done = verify([dark], [tmp_path / "raw"])
    whys = {finding.name: finding.why for finding in done.findings if finding.state == CHANGED}
    assert whys == {f"{dark}": f"was made from another {master} than is there now: {other} differ"}


def test_frames_in_object_storage_are_said_to_be_there(master, tmp_path):
    """A pointer is no frame; the remedy is another than for a frame that is lost."""
    links = tmp_path / "results" / "tiny" / "links"
    links.mkdir()
    put(tmp_path, "objects/a.object.json", b"{}")
    (links / "a.fits").symlink_to(tmp_path / "objects" / "a.object.json")
    whys = [finding.why for finding in verify([master]).findings if finding.state == MISSING]
    assert whys == ["lies in object storage; fetch it and name its folder with --raw"] * 2


def test_a_product_of_which_the_end_is_lost_is_changed(master):
    """A file that was cut between two HDUs, each with sums that hold, misses its record."""
    content = master.read_bytes()
    master.write_bytes(content[: content.index(b"XTENSION", content.index(b"'SCI"))])
    (finding,) = verify([master]).findings
    assert (finding.state, finding.why) == (CHANGED, "its record is missing")


def test_a_product_without_sums_is_changed(master):
    """Sums that were taken out are missed."""
    content = master.read_bytes()
    master.write_bytes(content.replace(b"DATASUM =", b"DATASUN ="))
    (finding,) = verify([master]).findings
    assert "PRIMARY has lost its checksum; SCI has lost its checksum" in finding.why
