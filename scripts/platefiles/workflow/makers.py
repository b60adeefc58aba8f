"""Find the rule that makes a path, its inputs and its job."""

import ast
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from platefiles.core.errors import UserError
from platefiles.plan.project_plan import ProjectPlan
from platefiles.rule_files.rule_text import RuleText, imports_of, rule_texts, rules_by_step
from platefiles.rule_inputs import sets
from platefiles.rule_inputs.declarations import Declarations
from platefiles.rule_inputs.declared import Declared, Files, Job, ProductInput
from platefiles.rule_inputs.project_wildcards import Wildcards, check_wildcards


@dataclass(frozen=True)
class Maker:
    """A rule that makes a product of a project.

    Attributes
    ----------
    rule : RuleText
    inputs : tuple
        Declarations of the products among its inputs.
    job : Job
    declared : tuple of Declared
        Declarations of all inputs and of the job.
    """

    rule: RuleText
    inputs: tuple[ProductInput, ...]
    job: Job
    declared: tuple[Declared, ...]

    def wildcards(self, plan: ProjectPlan, path: str) -> Wildcards | None:
        """Return the wildcards of a path; None if the rule does not make it for the project."""
        found = self.rule.output.match(path) if self.rule.output else None
        if found is None:
            return None
        own = path == plan.paths.lock if "lock" in found else found["project"] == plan.loaded.name
        return Wildcards(**found) if own else None


def maker_of(plan: ProjectPlan, path: str) -> tuple[Maker, Wildcards]:
    """Return the rule that makes a path, and its wildcards.

    Raises
    ------
    UserError
        If no rule makes it for the project.
    """
    for maker in _makers():
        wildcards = maker.wildcards(plan, path)
        if wildcards is not None:
            if "lock" not in vars(wildcards):
                check_wildcards(plan, wildcards)
            return maker, wildcards
    msg = f"{path}: no rule makes this file for project {plan.loaded.name}"
    raise UserError(msg)


@cache
def stages() -> dict[str, tuple[Files, ...]]:
    """Return the targets of each stage by name: rules without output."""
    found: dict[str, tuple[Files, ...]] = {}
    for rule in rule_texts().values():
        if rule.output is None:
            asked: list[Files] = []
            for expression in rule.asked_for:
                value = _evaluated(expression, rule.file, rules=_Asked(found))
                asked += value if isinstance(value, list) else [value]
            found[rule.name] = tuple(asked)
    return found


def is_single(step: str, name: str) -> bool:
    """Return whether an input of a step is a single path instead of a list.

    Parameters
    ----------
    step : str
    name : str
        Input name in the rule.
    """
    rule = rules_by_step()[step]
    return name in rule.inputs and bool(
        getattr(_evaluated(rule.inputs[name], rule.file), "is_single", False)
    )


@cache
def _makers() -> tuple[Maker, ...]:
    found = []
    for rule in rule_texts().values():
        if rule.job is None or rule.output is None or "shared" in rule.output.wildcards:
            continue
        inputs = [_evaluated(one, rule.file) for one in rule.inputs.values()]
        products = tuple(one for one in inputs if hasattr(one, "products"))
        job = _evaluated(rule.job, rule.file)
        found.append(Maker(rule, products, job, (*inputs, job)))
    return tuple(found)


class _Asked:
    """Targets of other stages, as Snakemake's ``rules.<stage>.input``."""

    def __init__(self, stages: dict[str, tuple[Files, ...]]):
        self._stages = stages

    def __getattr__(self, name: str) -> Wildcards:
        return Wildcards(input=list(self._stages[name]))


def _evaluated(expression: ast.expr, file: Path, **names: Any) -> Any:
    code = compile(ast.Expression(expression), str(file), "eval")
    return eval(code, {**_names(file), **names})  # the project's own rules


@cache
def _names(file: Path) -> dict[str, Any]:
    """Return the names available to expressions in a file of rules."""
    names: dict[str, Any] = {"plans": Declarations(), "sets": sets, "ancient": lambda one: one}
    exec(compile(imports_of(file), str(file), "exec"), names)
    return names
