"""A few faults; `tests/faults/campaign.py` does as many as one asks for, of all kinds."""

import subprocess
import sys
from pathlib import Path

CAMPAIGN = Path(__file__).resolve().parents[1] / "faults" / "campaign.py"
COUNTS = {"kills": 1, "signals": 1, "flips": 2, "swaps": 2, "full": 1}


def test_faults_are_found_and_healed(tmp_path):
    """Nothing goes unseen, and the same command makes what an undisturbed run makes."""
    words = [word for name, count in COUNTS.items() for word in (f"--{name}", str(count))]
    command = [sys.executable, str(CAMPAIGN), "--folder", str(tmp_path), *words]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    table = done.stdout[done.stdout.index("fault ") :].splitlines()[1:]
    counts = [list(map(int, line[-22:].split())) for line in table]
    assert all(tried == found == healed for tried, found, healed in counts)
    assert sum(tried for tried, _, _ in counts) == sum(COUNTS.values())
