"""Run one verb; `scripts/platelog.py` hands over to this."""

import argparse
import importlib
import signal
import sys
from contextlib import suppress
from typing import Any, cast

from platecli.execution import stopping
from platecli.text.screen import Console, console_width, discard
from platefiles.core.errors import UserError
from platelog import STOPPED, VERBS, version_line

MAKERS = frozenset({"blink", "demo", "new", "run", "replay", "compare", "bench", "sign", "test"})
"""Verbs that go on when the reader of their words has left: what they make is worth more."""

STOPPED_AT_ONCE = frozenset({"demo", "run"})
"""Verbs that a signal ends at once, wherever they are; see `platecli.execution.stopping`."""

_PACKAGES = dict.fromkeys(("clean", "tidy"), "deletion")
"""Packages of the verbs that are not in `platecli.verbs`."""

READER_LEFT = 128 + signal.SIGPIPE
"""The exit status that shells give to a program whose reader has left."""


def main(argv: list[str]) -> int:
    """Parse the arguments of a verb, run it and return the exit status.

    Each verb is a module of `platecli.verbs` or `platecli.deletion` with
    ``add_arguments(parser)`` and ``run(args) -> int``. What follows ``--`` reaches it as
    ``args.extra``; so does, where the module says ``TAKES_MORE = True``, what the parser does not
    know.
    """
    parser = argparse.ArgumentParser(
        prog="platelog.py", description="From raw frames to a picture."
    )
    parser.add_argument("--version", action="version", version=version_line())
    verbs = parser.add_subparsers(dest="verb", metavar="VERB", required=True)
    parsers = {
        verb: verbs.add_parser(verb, help=what, description=what[0].upper() + what[1:] + ".")
        for verb, what in VERBS.items()
    }
    end = argv.index("--") if "--" in argv else len(argv)
    words, extra = argv[:end], argv[end + 1 :]
    module = None
    if words and words[0] in VERBS:
        module = importlib.import_module(module_of(words[0]))
        module.add_arguments(parsers[words[0]])
    args, unknown = parser.parse_known_args(words)
    if unknown and not getattr(module, "TAKES_MORE", False):
        parsers[args.verb].error(f"unknown arguments: {' '.join(unknown)}")
    args.extra = unknown + extra
    try:
        return int(module.run(args)) if module else 2
    except UserError as problem:
        print(problem, file=sys.stderr)
        return getattr(problem, "status", 1)
    except BrokenPipeError:
        raise
    except OSError as problem:  # such as a name that no disk takes, or a file of somebody else
        name = f"{problem.filename}: " if problem.filename else ""
        print(f"{name}{problem.strerror or problem}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print(stopping.GOES_ON, file=sys.stderr)
        return STOPPED


def module_of(verb: str) -> str:
    """Return the name of the module of a verb."""
    return f"platecli.{_PACKAGES.get(verb, 'verbs')}.{verb}"


def on_console(argv: list[str]) -> int:
    """Run one verb with lines that fit the console, and end quietly if nobody reads them.

    The verbs of `MAKERS` go on without a reader and end with the status of their work; the others
    only tell, and end at once with that of a broken pipe.
    """
    if argv[:1] != [] and argv[0] in STOPPED_AT_ONCE:
        stopping.end_at_signals()
    else:
        stopping.release()
    keep_going = argv[:1] != [] and argv[0] in MAKERS
    for name in ("stdout", "stderr"):
        stream = getattr(sys, name)
        if stream is not None:  # closed by who started us
            width = None if "--json" in argv else console_width(stream)
            setattr(sys, name, cast(Any, Console(stream, width, keep_going)))
    try:
        try:
            return main(argv)
        finally:
            for stream in filter(None, (sys.stdout, sys.stderr)):
                stream.flush()
    except BrokenPipeError:
        for stream in filter(None, (sys.stdout, sys.stderr)):
            with suppress(OSError, ValueError):
                discard(stream)
        return READER_LEFT


if __name__ == "__main__":
    status = on_console(sys.argv[1:])
    stopping.ignore_signals()
    sys.exit(status)
