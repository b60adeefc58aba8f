"""The products of a project as a graph, read from the rules.

What a project has follows from what is asked for, back along the inputs of the rules, as in
Snakemake itself. The rules are the only place that says what a step reads and writes.
"""

import os
from collections.abc import Iterator
from dataclasses import dataclass

from platefiles.core.errors import UserError
from platefiles.plan.project_plan import ProjectPlan
from platefiles.rule_files.rule_text import rule_texts
from platefiles.rule_inputs.project_wildcards import Wildcards, filled
from platefiles.workflow.makers import maker_of, stages


@dataclass(frozen=True)
class Product:
    """A file that a rule makes.

    Attributes
    ----------
    path : str
        Relative to the working directory.
    rule : str
        Rule that makes it.
    about : str
        Subject in words: ``ha 2026-03-23``.
    job : str
        Its job.
    inputs : tuple of str
        Input products.
    consulted : tuple of str
        Further products that are read; the relevant facts are part of the job, other changes do not
        matter.
    log, benchmark : str
        Further files written by its job.
    waits : bool
        Whether its job is unknown until the grid is chosen.
    step : str
        Script of the rule, without extension.
    threads : int
        Threads that the step can use.
    """

    path: str
    rule: str
    about: str
    job: str
    inputs: tuple[str, ...]
    log: str = ""
    consulted: tuple[str, ...] = ()
    waits: bool = False
    step: str = ""
    threads: int = 1
    benchmark: str = ""

    @property
    def note(self) -> str:
        """Log with the digest of the job; empty for FITS files, which have it in the header."""
        return "" if self.path.endswith(".fits") else self.log


def products_of(plan: ProjectPlan, *targets: str) -> dict[str, Product]:
    """Return every product of a project by its path, each after its inputs.

    Stored subs are included if the project keeps them or they exist, products of stages that are no
    part of `all` if they exist or are asked for.

    Parameters
    ----------
    plan : ProjectPlan
    *targets : str
        Stages, or files of any kind, of which stages count.
    """
    found: dict[str, Product] = {}
    asked = [path for one in targets if one in stages() for path in targets_of(plan, one)]
    for path in (*targets_of(plan, "all"), *asked, *_stored_subs(plan), *_blinks(plan)):
        _add(plan, path, found)
    return _in_order(found)


def targets_of(plan: ProjectPlan, target: str) -> list[str]:
    """Return the target files of a stage for a project.

    Parameters
    ----------
    plan : ProjectPlan
    target : str
        A stage, or the path of one file, which may be of another project.
    """
    if target not in stages():
        return [target]
    none = Wildcards()
    paths = (path for files in stages()[target] for path in files.products(plan, none))
    return list(dict.fromkeys(paths))


def can_make(plan: ProjectPlan, path: str) -> bool:
    """Return whether a rule makes a file of a project, including files made only by path.

    Parameters
    ----------
    plan : ProjectPlan
    path : str
        Relative to the working directory.
    """
    try:
        _add(plan, path, {})
    except UserError:
        return False
    return path.startswith(f"{plan.results}/")


def _add(plan: ProjectPlan, path: str, found: dict[str, Product]) -> Product:
    """Add a product after its inputs."""
    if path in found:
        return found[path]
    maker, wildcards = maker_of(plan, path)
    inputs: list[str] = []
    consulted: list[str] = []
    for declared in maker.inputs:
        paths = declared.products(plan, wildcards)
        (consulted if declared.consulted else inputs).extend(paths)
    consulted = [one for one in consulted if one not in inputs]
    waits = [_add(plan, one, found).waits or one == plan.paths.lock for one in inputs]
    for one in consulted:
        _add(plan, one, found)
    rule = maker.rule
    about = [value for name, value in wildcards.items() if name not in ("project", "lock")]
    found[path] = Product(
        path,
        rule.name,
        " ".join(about),
        maker.job.text(plan, wildcards),
        tuple(dict.fromkeys(inputs)),
        filled(rule.log, plan, wildcards),
        tuple(consulted),
        any(waits),
        rule.step,
        rule.threads,
        filled(rule.benchmark, plan, wildcards),
    )
    return found[path]


def _in_order(found: dict[str, Product]) -> dict[str, Product]:
    """Sort products by rule, each rule after the rules of its inputs."""
    reads: dict[str, set[str]] = {}
    for product in found.values():
        near = (*product.inputs, *product.consulted)
        reads.setdefault(product.rule, set()).update(found[path].rule for path in near)
    depths: dict[str, int] = {}

    def depth(rule: str) -> int:
        if rule not in depths:
            depths[rule] = 1 + max((depth(other) for other in reads[rule]), default=0)
        return depths[rule]

    order = list(rule_texts())
    place = {rule: (depth(rule), order.index(rule)) for rule in reads}
    return dict(sorted(found.items(), key=lambda item: place[item[1].rule]))


def _blinks(plan: ProjectPlan) -> Iterator[str]:
    """Return the paths of existing frames and animations of subs."""
    if os.path.isdir(f"{plan.results}/moved"):
        for channel in plan.channels:
            paths = (plan.paths.frames(channel), *plan.paths.animations(channel))
            yield from (path for path in paths if os.path.exists(path))


def _stored_subs(plan: ProjectPlan) -> Iterator[str]:
    """Return the paths of stored subs that the project no longer keeps."""
    for kind in ("calibrated", "registered"):
        if kind not in plan.loaded.project.keep_subs and os.path.isdir(f"{plan.results}/{kind}"):
            for channel in plan.channels:
                paths = (plan.paths.stored_sub(kind, channel, f.id) for f in plan.lights(channel))
                yield from (path for path in paths if os.path.exists(path))
