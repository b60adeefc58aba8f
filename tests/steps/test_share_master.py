import os

import pytest
from share_master import share_master

from platefiles.core.errors import UserError
from platefiles.core.hashing import canonical
from platefiles.fits.products_io import write_product
from platefiles.provenance.header_provenance import making_cards

JOB = {"project": None, "settings": {}, "code": "0" * 16, "master": "bias_x"}


@pytest.fixture
def twin(tmp_path):
    """A master of another project."""
    path = tmp_path / "one" / "bias_x.fits"
    write_product(path, making_cards("master_bias", JOB), [])
    return path


def test_shared_master_is_the_same_file(twin, tmp_path):
    """The master gets a second name, also where it has it already, and nothing lies about."""
    path = tmp_path / "two" / "bias_x.fits"
    for _ in range(2):
        share_master(twin, path, canonical(JOB))
        assert os.path.samefile(twin, path)
        assert os.listdir(path.parent) == ["bias_x.fits"]


def test_shared_master_is_copied_where_there_are_no_second_names(twin, tmp_path, monkeypatch):
    """On a disk without hard links it is a copy."""

    def refuse(*_):
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuse)
    path = tmp_path / "two" / "bias_x.fits"
    share_master(twin, path, canonical(JOB))
    assert path.read_bytes() == twin.read_bytes()
    assert not os.path.samefile(twin, path)


def test_other_master_is_refused(twin, tmp_path):
    """A master of another job is not taken, whatever its name."""
    with pytest.raises(UserError, match="is not made of the frames of"):
        share_master(
            twin, tmp_path / "two" / "bias_x.fits", canonical(JOB | {"settings": {"a": 1}})
        )
