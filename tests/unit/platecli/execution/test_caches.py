import os
import sys
from pathlib import Path

import pytest

from platecli.execution.caches import VARIABLE, give_room


@pytest.fixture
def own(tmp_path, monkeypatch):
    """A home and an environment of their own; a file in their place cannot be written into."""
    monkeypatch.setenv(VARIABLE, "")  # so that it is put back in any case
    monkeypatch.delenv(VARIABLE)
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.setattr(sys, "prefix", str(tmp_path / "venv"))
    return tmp_path


def test_a_home_that_can_be_written_is_left_to_libraries(own):
    """Nothing is made and nothing is said where all is as usual."""
    give_room(own / "results")
    assert VARIABLE not in os.environ
    assert list(own.iterdir()) == []


def test_caches_go_into_the_environment(own):
    """Without a home that can be written they lie in .venv, for its owner alone."""
    (own / "home").touch()
    give_room(own / "results")
    folder = Path(os.environ[VARIABLE])
    assert folder == own / "venv" / "var" / "cache"
    assert folder.stat().st_mode & 0o777 == 0o700


def test_caches_go_into_the_results(own):
    """Where neither can be written they lie among the results."""
    (own / "home").touch()
    (own / "venv").touch()
    give_room(own / "results")
    assert os.environ[VARIABLE] == str(own / "results" / ".cache")
