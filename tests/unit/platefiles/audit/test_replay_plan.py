import json

import pytest

from platefiles.audit.raw_search import RawFrame
from platefiles.audit.replay_plan import lay_links, remaking, write_texts
from platefiles.core.errors import UserError
from platefiles.provenance.activities import Making, RawRecord, Record
from platefiles.provenance.code_digests import code_digest

SHA = {name: digit * 64 for name, digit in (("bias", "a"), ("light", "b"), ("packed", "c"))}


def _making(product, step, inputs, **job):
    job = {"settings": {}, "code": code_digest(f"{step}.py")} | job
    texts = {"lock": "grid: 1\n"} if "lock" in inputs else {}
    about = ("platelog 0", "lock", "python 3")
    return Making(product, step, json.dumps(job), *about, inputs, "d", texts)


def _raw(kind, name):
    return RawRecord(SHA[kind], name, 10, kind, "f")


@pytest.fixture
def record():
    """A channel of two subs with a master and a registration."""
    lights = (f"raw:{SHA['light']}", f"raw:{SHA['packed']}")
    masters = ("calibration/bias_x.fits",)
    makings = [
        _making(masters[0], "master_bias", {"raw": (f"raw:{SHA['bias']}",)}),
        _making("measures/ha/n1.fits", "measure_stars", {"raw": lights, "masters": masters}),
        _making(
            "registration/ha.fits",
            "register",
            {"measures": ("measures/ha/n1.fits",), "lock": ("text:lock",)},
        ),
        _making(
            "channels/ha.fits",
            "integrate",
            {"raw": lights, "masters": masters, "registration": ("registration/ha.fits",)},
        ),
    ]
    raws = [_raw("bias", "b.fits"), _raw("light", "l.fits"), _raw("packed", "n/l2.fit.FZ")]
    return Record({m.product: m for m in makings}, {raw.sha256: raw for raw in raws})


def _changed(record, product, **facts):
    making = record.makings[product]
    changed = Making(**(vars(making) | facts))
    return Record(record.makings | {product: changed}, record.raws)


def test_tasks_name_the_files_of_the_folder(record, tmp_path):
    """Products lie at their recorded places, raw frames behind links with the right ending."""
    found = remaking(record, tmp_path)
    task = found.tasks["channels/ha.fits"]
    assert task.output == str(tmp_path / "channels/ha.fits")
    assert task.inputs["registration"] == [str(tmp_path / "registration/ha.fits")]
    assert task.inputs["raw"] == [
        str(tmp_path / "links" / f"{SHA['light']}.fits"),
        str(tmp_path / "links" / f"{SHA['packed']}.fits.fz"),
    ]
    assert found.needs["channels/ha.fits"] == {"calibration/bias_x.fits", "registration/ha.fits"}
    assert found.needs["calibration/bias_x.fits"] == set()


def test_texts_are_written_where_tasks_look_for_them(record, tmp_path):
    """What a step read from a file that is no product stands in its making."""
    write_texts(record, tmp_path)
    (path,) = remaking(record, tmp_path).tasks["registration/ha.fits"].inputs["lock"]
    with open(path, encoding="utf-8") as file:
        assert file.read() == "grid: 1\n"


def test_job_is_passed_on_as_it_was_recorded(record, tmp_path):
    """With the same code, not a byte of the job is changed."""
    tasks = remaking(record, tmp_path).tasks
    assert tasks["measures/ha/n1.fits"].job == record.makings["measures/ha/n1.fits"].job


def test_job_names_the_code_that_runs(record, tmp_path):
    """A product that is made by other code never says that it was made by the recorded one."""
    job = json.dumps({"settings": {}, "code": "0123456789abcdef"})
    changed = _changed(record, "measures/ha/n1.fits", job=job)
    task = remaking(changed, tmp_path).tasks["measures/ha/n1.fits"]
    assert json.loads(task.job)["code"] == code_digest("measure_stars.py")


def test_links_lead_to_frames_and_an_empty_file_stands_for_a_missing_one(record, tmp_path):
    """Steps find an unreadable file where a frame is missing, and leave it out as such."""
    (tmp_path / "elsewhere.fits").write_bytes(b"x")
    raws = list(record.raws.values())
    frames = [
        RawFrame(raws[0], "found", str(tmp_path / "elsewhere.fits")),
        RawFrame(raws[1], "missing", ""),
    ]
    lay_links(frames, tmp_path / "again")
    links = tmp_path / "again/links"
    assert (links / f"{SHA['bias']}.fits").read_bytes() == b"x"
    assert (links / f"{SHA['light']}.fits").stat().st_size == 0
    assert not (links / f"{SHA['light']}.fits").is_symlink()


@pytest.mark.parametrize(
    "product",
    [
        "../evil.fits",
        "/etc/evil.fits",
        "//evil.fits",
        "a/../../evil.fits",
        "",
        ".hidden/a.fits",
        "work/1.py",
        "links/a.fits",
    ],
)
def test_places_outside_the_folder_are_refused(record, tmp_path, product):
    """A record comes from strangers and writes nowhere but into the folder."""
    making = Making(**(vars(record.makings["calibration/bias_x.fits"]) | {"product": product}))
    with pytest.raises(UserError, match="is no place of a product"):
        remaking(Record({product: making}, record.raws), tmp_path)


def test_digests_that_are_none_are_refused(record, tmp_path):
    """A digest becomes a file name, so it has to be one."""
    raw = RawRecord("../evil", "b.fits", 1, "bias", "f")
    making = _making("calibration/b.fits", "master_bias", {"raw": ("raw:../evil",)})
    with pytest.raises(UserError, match="is no digest of a raw frame"):
        remaking(Record({making.product: making}, {raw.sha256: raw}), tmp_path)


def test_raw_frame_without_facts_is_refused(record, tmp_path):
    """A record that does not know a frame it names is damaged."""
    with pytest.raises(UserError, match="says nothing of the raw frame"):
        remaking(Record(record.makings, {}), tmp_path)
