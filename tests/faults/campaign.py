"""Do harm to runs and to files, many times: ``campaign.py --seed 1 --kills 200 --flips 300 ...``.

After each fault the same command is given again. Then `verify` must be content, and all products
must have the bytes of a run that nobody disturbed. What was tried, found and healed is printed as a
table; the exit status is 1 if anything went unseen or wrong. The tests of the workflow do a few.
"""

import argparse
import shutil
import sys
import tempfile
import time
from pathlib import Path

from campaign_table import Setting, Stopped, lines
from damage import flips, swaps
from shortage import changed_raws, full_disks
from small_project import SmallProject
from stops import kills, signals

FAULTS = {
    "kills": ("runs killed with all their jobs", kills),
    "signals": ("runs stopped by one, two or three signals, idle and under load", signals),
    "flips": ("bits flipped, in all kinds of files", flips),
    "swaps": ("sectors exchanged, in all kinds of files", swaps),
    "full": ("disks that are full from some moment on", full_disks),
    "raws": ("raw frames changed during a run", changed_raws),
}


def main() -> int:
    """Do what the command line asks for."""
    parser = argparse.ArgumentParser(description="Do harm to runs and files, and see what comes.")
    parser.add_argument("--seed", type=int, default=1, help="of all that is chosen by chance")
    parser.add_argument("--folder", type=Path, help="where to work (default: a temporary one)")
    for name, (what, _) in FAULTS.items():
        parser.add_argument(f"--{name}", type=int, default=0, metavar="N", help=what)
    parser.add_argument(
        "--stop", action="store_true", help="end at the first problem, and leave all files there"
    )
    args = parser.parse_args()
    if args.folder is not None:
        args.folder.mkdir(parents=True, exist_ok=True)
    folder = Path(tempfile.mkdtemp(prefix="platelog-faults-", dir=args.folder))
    setting = undisturbed(folder, args.seed, args.stop)
    try:
        for name, (_, do) in FAULTS.items():
            if getattr(args, name):
                do(getattr(args, name), setting)
    except Stopped:
        print(f"Stopped; all is in {folder}.")
        return 1
    except KeyboardInterrupt:
        print("Stopped; so far there were")
    shutil.rmtree(folder)
    print("\n".join(lines(setting.rows)))
    wrong = any(row.problems or not row.found == row.healed == row.tried for row in setting.rows)
    return int(wrong)


def undisturbed(folder: Path, seed: int, stop: bool) -> Setting:
    """Make a project twice without faults, and check that both are the same."""
    made = SmallProject(folder / "made")
    made.draw()
    status, said = made.run()
    if status:
        sys.exit(f"The undisturbed run ended with status {status}:\n{said}")
    clean = made.copied(folder / "clean", finished=True)
    again = clean.copied(folder / "again", finished=False)
    start = time.monotonic()
    again.run()
    takes_s = time.monotonic() - start
    setting = Setting(seed, folder, clean, made.folder, clean.made(), takes_s, stop)
    if (problem := setting.not_as_clean(again)) != "":
        sys.exit(f"Two undisturbed runs differ: {problem}")
    return setting


if __name__ == "__main__":
    sys.exit(main())
