"""What all tests share: where the code is, and where real frames are."""

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml

ROOT = Path(__file__).resolve().parent.parent
SCRIPTS = ROOT / "scripts"
TINY_CHANNELS = {"ha": "Ha", "g": "G", "b": "B"}

sys.path.insert(0, str(SCRIPTS))
# Processes that tests start find the code in the same way.
os.environ["PYTHONPATH"] = str(SCRIPTS)


@pytest.fixture(scope="session")
def real_folder() -> Path:
    """Folder with real frames, or a skip where there is none.

    It is named by the environment variable PLATELOG_REAL; by default it is ``shared/real`` beside
    the checkout.
    """
    folder = Path(os.environ.get("PLATELOG_REAL") or ROOT.parent / "shared" / "real")
    if not folder.is_dir():
        pytest.skip(f"no real frames in {folder}; PLATELOG_REAL may name another folder")
    return folder


@pytest.fixture(scope="session")
def tiny_raw(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder with the tiny simulated set, drawn once; who changes frames works on a copy."""
    from draw_demo import draw_raw

    folder = tmp_path_factory.mktemp("tiny") / "raw"
    draw_raw("tiny", folder)
    for path in folder.rglob("*.fits"):
        path.chmod(0o444)
    return folder


@pytest.fixture(scope="session")
def write_project() -> Callable[..., Path]:
    """Write a project file for the tiny set, with further keys, and return its path."""

    def write(path: Path, raw: Path, **keys: Any) -> Path:
        channels = {name: {"filters": [filters]} for name, filters in TINY_CHANNELS.items()}
        project = {"title": "Tiny", "raw": [str(raw)], "recipe": "ha-in-red", "channels": channels}
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(yaml.safe_dump(project | keys, sort_keys=False), encoding="utf-8")
        return path

    return write
