import json
import math
import threading
from pathlib import Path

import numpy as np
import pytest

from platecli.rebuild import task_runner
from platecli.rebuild.task_runner import run_tasks
from platefiles.audit.run_step import Task
from platefiles.core.errors import UserError
from platefiles.fits.products_io import image_hdu, write_product
from platefiles.provenance.record import record_hdu
from platefiles.settings.colour import Colour
from platefiles.settings.picture import Crop, Finish, Framing, Stretch


@pytest.fixture
def tasks(tmp_path):
    """A linear image of one noisy channel, and two pictures of it, in an order that cannot be."""
    channel = tmp_path / "l.fits"
    noise = np.random.default_rng(8).normal(1, 0.1, (120, 150)).astype(np.float32)
    record = record_hdu("integrate", channel, {"settings": {}, "channel": "l"}, {})
    write_product(channel, [], [image_hdu(noise, "SCI", unit="electron/s"), record])
    mapping = {"red": None, "green": None, "blue": None, "luminance": {"l": 1.0}}
    settings = {
        "mapping": mapping,
        "colour": Colour().model_dump(),
        "geometry": Framing().model_dump(),
    }
    linear_image_job = {"project": "p", "settings": settings, "code": "0"}
    linear_image_job |= {"wavelengths_nm": {"l": None}, "broadband": True}
    drawn = {"stretch": Stretch().model_dump(), "finish": Finish().model_dump()}
    drawn |= {"geometry": Crop().model_dump()}
    job = {"project": "p", "settings": drawn, "code": "0"}
    encoding = {"project": "p", "settings": {}, "code": "0", "title": "T"}
    cube, display = str(tmp_path / "cube.fits"), str(tmp_path / "p.display.fits")
    shown = {"display": [display], "linear_image": [cube]}

    def task(step, name, inputs, job):
        log = str(tmp_path / "logs" / f"{name}.log")
        return Task(step, str(tmp_path / name), inputs, json.dumps(job), log)

    return {
        "png": task("encode_picture", "p.png", shown, encoding),
        "jpg": task("encode_picture", "p.jpg", shown, encoding),
        "display": task("draw_picture", "p.display.fits", {"linear_image": [cube]}, job),
        "cube": task("map_channels", "cube.fits", {"channels": [str(channel)]}, linear_image_job),
    }


NEEDS = {"png": {"display"}, "jpg": {"display"}, "display": {"cube"}, "cube": set()}


@pytest.mark.parametrize("cores", [1, 2])
def test_tasks_run_after_what_they_need(tasks, tmp_path, cores):
    """A task waits for those whose products it reads, and each runs once."""
    done = []
    run_tasks(tasks, NEEDS, cores, tmp_path / "work", done.append)
    assert done[:2] == ["cube", "display"]
    assert sorted(done[2:]) == ["jpg", "png"]
    assert (tmp_path / "p.png").read_bytes().startswith(b"\x89PNG")


def test_a_step_that_fails_is_named_with_its_reason(tasks, tmp_path):
    """The sentence of the step is passed on, and nothing that needs its product is begun."""
    (tmp_path / "l.fits").unlink()
    done = []
    with pytest.raises(
        UserError, match=r"map_channels could not be run again for cube.fits: .*l\."
    ):
        run_tasks(tasks, NEEDS, 2, tmp_path / "work", done.append)
    assert done == []


def test_tasks_that_wait_for_each_other_are_refused(tasks, tmp_path):
    """A damaged record ends in a sentence and not in a wait without end."""
    needs = {"png": {"jpg"}, "jpg": {"png"}, "display": {"png"}, "cube": set()}
    with pytest.raises(UserError, match="would be made from each other"):
        run_tasks(tasks, needs, 1, tmp_path / "work")


@pytest.mark.parametrize(("memory_mb", "given", "at_once"), [(math.inf, 1000, 2), (750, 750, 1)])
def test_tasks_share_the_memory(tasks, tmp_path, monkeypatch, memory_mb, given, at_once):
    """Tasks that want more memory than there is run one after the other, with what there is."""
    at_work, most, scripts = 0, 0, []
    change, both = threading.Lock(), threading.Barrier(2)

    def run(start, task, script):
        nonlocal at_work, most
        scripts.append(script)
        with change:
            at_work += 1
            most = max(most, at_work)
        if at_once == 2 and task.step == "encode_picture":
            both.wait(600)  # which two reach, or none
        with change:
            at_work -= 1

    monkeypatch.setattr(task_runner, "_run", run)
    del tasks["display"], tasks["cube"]  # whose memory depends on images, which this test lacks
    run_tasks(tasks, {"png": set(), "jpg": set()}, 2, tmp_path / "work", memory_mb=memory_mb)
    assert most == at_once
    for script in map(Path, scripts):
        assert f'"memory_mb": {given}' in script.read_text(encoding="utf-8")
