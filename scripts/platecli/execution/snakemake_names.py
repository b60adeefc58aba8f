"""All names of Snakemake that the project uses but Snakemake does not document.

Rules, plugins and the Snakefile use what is documented: Snakemake's language, ``min_version``, and
the interfaces of executor and logger plugins. What goes beyond that stands here, so that a new
version of Snakemake is checked in one place.

=====================================  ==========================================  ================
name                                   why                                         where it is gone
=====================================  ==========================================  ================
``snakemake.cli.parse_args``,          the run goes on in this process, which has  the command
``snakemake.cli.args_to_api``          imported much of what Snakemake needs, and  ``snakemake``
                                       a wrong option is told in one line
``snakemake.exceptions``               errors of `args_to_api` in Snakemake's      the command
``.print_exception``                   words                                       ``snakemake``
``ReportPluginRegistry.plugins``       spares the import of the HTML report        it is imported
``JobScheduler.exit_gracefully``       Snakemake's handler of SIGTERM waits for a  Snakemake's
                                       lock that the interrupted frame may hold    handler
``job.input.items``                    names of inputs for the step (the executor  the job runs by
                                       plugin's interface has the paths alone)     Snakemake
``snakemake.io.ancient``, ``.local``   flags of inputs that a function returns     none: the rules
                                       (`platefiles.rule_inputs.flags`)            need them
``workflow.is_main_process``           the Snakefile looks for frames once and     none
                                       not in each job of a cluster
=====================================  ==========================================  ================
"""

import contextlib
import importlib
from collections.abc import Callable
from typing import Any, NamedTuple


class MissingName(Exception):
    """A name that this version of Snakemake lacks and that is optional for the project."""


class CommandLine(NamedTuple):
    """The two halves of Snakemake's command, and its printing of errors."""

    parse_args: Callable[..., Any]
    args_to_api: Callable[..., bool]
    print_exception: Callable[..., None]


def command_line() -> CommandLine:
    """Return the functions behind the command ``snakemake``.

    Raises
    ------
    MissingName
        If this version has others; the message names the first.
    """
    names = ("cli.parse_args", "cli.args_to_api", "exceptions.print_exception")
    return CommandLine(*(_named(f"snakemake.{name}") for name in names))


def leave_reports_away() -> None:
    """Keep Snakemake from loading the report plugin, which imports as much as all others."""
    with contextlib.suppress(MissingName):
        registry = _named("snakemake_interface_report_plugins.registry.ReportPluginRegistry")
        registry.__new__(registry).plugins = {}


def disarm_sigterm() -> None:
    """Leave SIGTERM to `platecli.execution.interrupts.Ears`, not to Snakemake's scheduler.

    Its handler waits for a lock; if the interrupted frame holds the lock, both deadlock.
    """
    with contextlib.suppress(MissingName):
        scheduler = _named("snakemake.scheduling.job_scheduler.JobScheduler")
        scheduler.exit_gracefully = lambda self, *signal_and_frame: None


def named_inputs(job: Any) -> dict[str, Any]:
    """Return the inputs of a job by the names that its rule gives them.

    Parameters
    ----------
    job
        As an executor plugin gets it.

    Raises
    ------
    MissingName
        If this version does not provide the names.
    """
    try:
        return dict(job.input.items())
    except AttributeError:
        raise MissingName("job.input.items") from None


def _named(name: str) -> Any:
    module, _, attribute = name.rpartition(".")
    try:
        return getattr(importlib.import_module(module), attribute)
    except (ImportError, AttributeError):
        raise MissingName(name) from None
