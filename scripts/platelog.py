#!/usr/bin/env python3
"""Set up `.venv` once from the pinned packages, then run a verb inside it.

Standard library only, and readable by older Pythons, so that a machine with nothing but git and
Python gets either a running program or one sentence that says what is missing.
"""

from __future__ import annotations

import difflib
import os
import re
import shutil
import signal
import sys
from pathlib import Path
from typing import TextIO

ROOT = Path(__file__).resolve().parent.parent
OLDEST = (3, 11)
NEWER = (
    "3.13",
    "3.12",
    "3.11",
)  # what to suggest where python3 is too old and one of these is here
STOPPED = 130  # the exit status that shells give to Ctrl-C
STOP_SIGNALS = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
VERBS = {
    "demo": "draw an invented galaxy field as raw frames and make its picture",
    "new": "draft a project file from the headers of your raw frames",
    "check": "list new subs and the jobs of the next run; writes nothing",
    "run": "make the pictures of one or more projects; does only new work",
    "stars": "fetch the star catalogues of projects from archives",
    "trace": "show the provenance of a product, down to each raw frame",
    "verify": "check that products, pictures and raw frames are unchanged",
    "sign": "sign the digests of a project with your key",
    "replay": "make a product again from raw frames alone, and compare",
    "compare": "list the differences of two versions of a picture or a channel",
    "blink": "show the subs of a channel one after the other, whole or as a cut-out",
    "depth": "print the depth of a project and the gain of more exposure",
    "clean": "delete intermediate products that a run can make again; asks first",
    "tidy": "delete products of earlier plans; lists them and asks first",
    "bench": "compare time and memory with a chain of general libraries",
    "test": "check the code and run the tests",
}


def version_line() -> str:
    """Return name and version as in the headers of products."""
    source = (ROOT / "scripts" / "platefiles" / "provenance" / "header_provenance.py").read_text(
        encoding="utf-8"
    )
    found = re.search(r'^VERSION = "([^"]+)"', source, re.MULTILINE)
    return f"platelog {found[1] if found else 'of an unknown version'}"


def usage() -> str:
    """Return the help text."""
    width = max(map(len, VERBS))
    verbs = "\n".join(f"  {verb:<{width}}  {what}" for verb, what in VERBS.items())
    return f"""usage: python3 scripts/platelog.py VERB ...

From raw frames to a deep-sky picture.

{verbs}

`python3 scripts/platelog.py VERB --help` lists what a verb takes, `--version` names the version.
The first call of a verb sets up .venv, which takes some minutes and needs the network."""


def nearest(word: str, known: list[str]) -> str:
    """Return `` - did you mean '…'?``, or nothing if no known word is near."""
    near = difflib.get_close_matches(word, known, 1)
    return f" - did you mean '{near[0]}'?" if near else "."


def unknown_verb(verb: str) -> str:
    """Return the sentence for a verb that does not exist."""
    return f"There is no verb '{verb}'{nearest(verb, list(VERBS))} Verbs: {', '.join(VERBS)}."


def refusal(version: tuple[int, ...], system: str, root: Path) -> str | None:
    """Return the reason why this interpreter, system or folder is unsuitable, or None.

    Parameters
    ----------
    version
        Version of the running interpreter.
    system
        ``os.name`` of the machine.
    root
        The checkout.
    """
    if version[:2] < OLDEST:
        newer = next((name for name in NEWER if shutil.which("python" + name)), None)
        remedy = f"use python{newer}, which is here" if newer else "install a newer one"
        return "Python {}.{} or newer is needed and this is {}; {}.".format(
            *OLDEST, ".".join(map(str, version)), remedy
        )
    if system != "posix":
        return "Linux or macOS is needed; on Windows use the Windows Subsystem for Linux."
    if os.pathsep in str(root):
        return f"Python cannot search {root}: rename the folder so that it has no '{os.pathsep}'."
    return None


def child_environment(root: Path, venv: Path) -> dict[str, str]:
    """Return the environment variables of processes inside `.venv`."""
    dropped = ("PYTHONDONTWRITEBYTECODE", "PYTHONHOME", "PYTHONPATH", "__PYVENV_LAUNCHER__")
    env = {key: value for key, value in os.environ.items() if key not in dropped}
    env["PYTHONPATH"] = str(root / "scripts")
    env["PATH"] = f"{venv / 'bin'}{os.pathsep}{env.get('PATH', os.defpath)}"
    env["VIRTUAL_ENV"] = str(venv)
    return env


def say(text: str, stream: TextIO) -> None:
    """Write lines to the console, folded at words; a reader who has left is no error."""
    try:
        from platecli.text.screen import Console, console_width

        print(text, file=Console(stream, console_width(stream), keep_going=True), flush=True)
    except SyntaxError:  # a Python that is too old, which the text is about
        print(text, file=stream, flush=True)


def main(argv: list[str]) -> int:
    """Set up if needed and run the verb; return an exit status if that fails."""
    if not argv or argv[0] in ("-h", "--help", "help"):
        say(usage(), sys.stdout)
        return 0 if argv else 2
    if argv[0] in ("-V", "--version"):
        say(version_line(), sys.stdout)
        return 0
    if argv[0] not in VERBS:
        say(unknown_verb(argv[0]), sys.stderr)
        return 2
    reason = refusal(tuple(sys.version_info[:3]), os.name, ROOT)
    if reason:
        say(reason, sys.stderr)
        return 1
    for number in STOP_SIGNALS:
        if signal.getsignal(number) == signal.SIG_DFL:
            signal.signal(number, signal.default_int_handler)
    from platecli.execution import environment

    try:
        venv, _ = environment.ensure(ROOT, child_environment(ROOT, ROOT / ".venv"))
    except environment.SetupError as problem:
        say(str(problem), sys.stderr)
        return 1
    except KeyboardInterrupt:
        say("Stopped; the same command starts the set-up again.", sys.stderr)
        return STOPPED
    # `-P`: a file in the user's folder must not stand in for a library of the same name.
    command = [str(venv / "bin" / "python"), "-P", "-m", "platecli", *argv]
    sys.stdout.flush()
    # A starting interpreter would answer them with a traceback; the verb lets them through.
    signal.pthread_sigmask(signal.SIG_BLOCK, STOP_SIGNALS)
    os.execve(command[0], command, child_environment(ROOT, venv))


if __name__ == "__main__":
    try:
        sys.exit(main(sys.argv[1:]))
    except KeyboardInterrupt:
        say("Stopped; the same command resumes.", sys.stderr)
        sys.exit(STOPPED)
