"""An empty desk for each test."""

import pytest
from unit.platefiles.config.desk import Desk


@pytest.fixture
def desk(tmp_path, monkeypatch):
    """Give an empty desk."""
    monkeypatch.chdir(tmp_path)
    return Desk(tmp_path)
