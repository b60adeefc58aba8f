"""The verb `demo`: draw an invented field as raw frames and make its picture."""

import argparse
import os
import time

from platecli.execution.engine import ROOT
from platecli.text.outcome import NOTHING_NEW
from platecli.verbs.run import make

PROJECT = "demo"
RAW = ROOT / "results" / "demo-raw"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments of `demo`."""
    parser.add_argument("--cores", type=int, help="processors to use (default: all)")


def run(args: argparse.Namespace) -> int:
    """Draw the raw frames, run the project on them and say how long it took."""
    from draw_demo import draw_raw  # loads much, so not before it is needed

    start = time.monotonic()
    print(f"Drawing raw frames into {RAW} ...", flush=True)
    draw_raw(PROJECT, RAW, workers=args.cores or os.cpu_count() or 1)
    drawn_s = time.monotonic() - start
    status = make([PROJECT], ["picture"], ROOT, args.cores, extra=args.extra)
    status = 0 if status == NOTHING_NEW else status
    if status == 0:
        took_s = time.monotonic() - start
        print(f"The demo took {took_s:.0f} s, of which {drawn_s:.0f} s to draw the raw frames.")
    return status
