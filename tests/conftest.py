"""What all tests share: where the code is, and where real frames are."""

import os
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
SCRIPTS = ROOT / "scripts"

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
