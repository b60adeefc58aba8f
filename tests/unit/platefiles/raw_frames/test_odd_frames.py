"""Thousands of odd files and headers for the frame reader, in a process with little to spare."""

import subprocess
import sys
from pathlib import Path

PROGRAM = Path(__file__).resolve().parents[3] / "fuzz" / "read_odd_frames.py"
EXAMPLES, SPARE_MB = 2500, 300


def test_odd_frames_are_read_or_refused_with_a_reason(tmp_path):
    """No file crashes or hangs the reader, takes hundreds of megabytes, or writes elsewhere.

    The examples are the same in every run. When it fails, the file is the last one in ``raw``.
    """
    words = [PROGRAM, tmp_path / "odd", str(EXAMPLES), str(SPARE_MB)]
    done = subprocess.run(
        [sys.executable, "-W", "ignore", *words], capture_output=True, text=True, timeout=3000
    )
    assert done.returncode == 0, done.stderr[-4000:]
    assert f"{EXAMPLES} files and {EXAMPLES} headers" in done.stdout
    written = {path.name for path in (tmp_path / "odd").iterdir()} - {"hypothesis"}
    assert written == {"raw", "results", "projects"}
    assert list((tmp_path / "odd" / "raw").iterdir()) == []
    assert [path.name for path in tmp_path.iterdir()] == ["odd"]
