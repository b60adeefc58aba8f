"""Project files that name object storage."""

import pytest
import yaml

from platefiles.config.load import ConfigError, load_project


@pytest.fixture
def load(tmp_path, write_project):
    """Return a way to load a project with these entries of ``raw``."""

    def of(*raw):
        path = write_project(tmp_path / "projects" / "tiny.yaml", tmp_path)
        project = yaml.safe_load(path.read_text(encoding="utf-8")) | {"raw": list(raw)}
        path.write_text(yaml.safe_dump(project, sort_keys=False), encoding="utf-8")
        return load_project(path, tmp_path)

    return of


def test_prefixes_stand_among_folders(load, tmp_path):
    """In the order of the file, and without anything being asked of the storage."""
    (tmp_path / "darks").mkdir()
    loaded = load("s3://nights/m15/", "../darks", "s3://nights")
    assert loaded.raw_folders == ("s3://nights/m15", tmp_path / "darks", "s3://nights")


def test_wrong_prefix_is_one_line_without_its_secret(load):
    """It names file, line and key, and does not repeat what was given."""
    with pytest.raises(ConfigError) as caught:
        load("s3://nights/m15", "s3://key:secret@nights/m15")
    (line,) = caught.value.problems
    assert "tiny.yaml:4: raw: an entry for object storage must be s3://bucket/prefix; end" in line
    assert "secret" not in line


def test_secret_in_the_wrong_place_is_not_repeated(load, tmp_path):
    """Not even where the value is refused for its kind."""
    project = tmp_path / "projects" / "tiny.yaml"
    with pytest.raises(ConfigError):
        load("s3://key:secret@nights")
    text = project.read_text(encoding="utf-8")
    project.write_text(text.replace("raw:\n- s3", "raw: s3"), encoding="utf-8")
    with pytest.raises(ConfigError, match=r"raw: must be a list, .* \(got an object-storage URL\)"):
        load_project(project, tmp_path)


def test_other_schemes_are_folders_that_are_not_there(load):
    """A misspelt scheme is not passed over in silence."""
    with pytest.raises(ConfigError, match="raw: no such folder"):
        load("S3://nights/m15")
