"""Run one verb; `scripts/platelog.py` hands over to this."""

import argparse
import importlib
import os
import signal
import sys

from platefiles.errors import UserError
from platelog import STOPPED, VERBS


def main(argv: list[str]) -> int:
    """Parse the arguments of a verb, run it and return the exit status.

    Each verb is a module of this package with ``add_arguments(parser)`` and ``run(args) -> int``.
    What follows ``--`` reaches it as ``args.extra``; so does, where the module says
    ``TAKES_MORE = True``, what the parser does not know.
    """
    parser = argparse.ArgumentParser(
        prog="platelog.py", description="From raw frames to a picture."
    )
    verbs = parser.add_subparsers(dest="verb", metavar="VERB", required=True)
    parsers = {
        verb: verbs.add_parser(verb, help=what, description=what[0].upper() + what[1:] + ".")
        for verb, what in VERBS.items()
    }
    end = argv.index("--") if "--" in argv else len(argv)
    words, extra = argv[:end], argv[end + 1 :]
    module = None
    if words and words[0] in VERBS:
        module = importlib.import_module(f"platecli.{words[0]}")
        module.add_arguments(parsers[words[0]])
    args, unknown = parser.parse_known_args(words)
    if unknown and not getattr(module, "TAKES_MORE", False):
        parsers[args.verb].error(f"not known here: {' '.join(unknown)}")
    args.extra = unknown + extra
    try:
        return int(module.run(args)) if module else 2
    except UserError as problem:
        print(problem, file=sys.stderr)
        return getattr(problem, "status", 1)
    except BrokenPipeError:  # who read our output has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 128 + signal.SIGPIPE
    except KeyboardInterrupt:
        print("Stopped; the same command goes on from here.", file=sys.stderr)
        return STOPPED


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
