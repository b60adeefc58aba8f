"""Rules read from the Snakefile and `rules/*.smk` as text, without Snakemake.

The rules say once what a step reads and writes, its log, its threads and its place in the record.
Everything else that needs to know it, takes it from here. What stands in a rule as a literal is a
value; an input or a job is a Python expression, which `platefiles.workflow.graph` evaluates.

Only what the rules of this project use of Snakemake's language is understood: `rule`, `checkpoint`
and `use rule ... as ... with`, and directives with literals or calls. Conditions around a rule are
passed over. A test compares the result with what Snakemake itself makes of the same files.
"""

import ast
import re
import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cache, cached_property
from pathlib import Path
from typing import Any

from platefiles.core.errors import UserError
from platefiles.rule_files.path_pattern import PathPattern

ROOT = Path(__file__).resolve().parents[3]
"""Folder of the Snakefile."""

_HEAD = re.compile(
    r"(?P<indent> *)(?:rule|checkpoint|use rule (?P<base>\w+) as) (?P<name>\w+)(?: with)?:\s*"
)
_DIRECTIVE = re.compile(r" +(?P<name>[a-z_]+):(?P<rest>.*)")
_INCLUDED = re.compile(r'include: "(?P<path>[^"]+)"')
_IMPORT = re.compile(r"^from platefiles[\w.]* import (?:\([^)]*\)|[^(\n]*)$", re.MULTILINE)


@dataclass(frozen=True)
class RuleText:
    """The source text of a rule.

    Attributes
    ----------
    name : str
    file : Path
        File of the rule.
    directives : mapping of str to ast.Call
        Arguments of each directive, as a call.
    """

    name: str
    file: Path
    directives: Mapping[str, ast.Call] = field(repr=False)

    @cached_property
    def output(self) -> PathPattern | None:
        """Path of the product with wildcards; None for a rule without output."""
        text = self._text("output")
        return PathPattern(text, self.constraints) if text else None

    @property
    def log(self) -> str:
        """Path of the log with wildcards."""
        return self._text("log")

    @property
    def benchmark(self) -> str:
        """Path of the benchmark with wildcards."""
        return self._text("benchmark")

    @property
    def step(self) -> str:
        """Name of its script without extension; empty if it has none."""
        return Path(self._text("script")).stem

    @property
    def threads(self) -> int:
        """Threads that the step can use."""
        return int(self._text("threads") or 1)

    @property
    def mem_mb(self) -> int | None:
        """Memory of a job in MB; None if it depends on the frames."""
        return self._named("resources").get("mem_mb")

    @property
    def memory_method(self) -> str:
        """Method of `platefiles.runs.memory.Memory` for the memory; empty for a number."""
        given = self.directives.get("resources")
        named = {} if given is None else {k.arg: k.value for k in given.keywords}
        value = named.get("mem_mb")
        return value.attr if isinstance(value, ast.Attribute) else ""

    @property
    def inputs(self) -> dict[str, ast.expr]:
        """Expressions of the named inputs, by name."""
        given = self.directives.get("input")
        return {} if given is None else {k.arg: k.value for k in given.keywords if k.arg}

    @property
    def asked_for(self) -> list[ast.expr]:
        """Expressions of the inputs without a name."""
        given = self.directives.get("input")
        return [] if given is None else given.args

    @property
    def job(self) -> ast.expr | None:
        """Expression of the job."""
        given = self.directives.get("params")
        named = {} if given is None else {k.arg: k.value for k in given.keywords}
        return named.get("job")

    @property
    def constraints(self) -> dict[str, str]:
        """Regular expressions of its wildcards, by name."""
        return self._named("wildcard_constraints")

    def _text(self, directive: str) -> str:
        """Return the first argument of a directive as a string, without a flag around it."""
        given = self.directives.get(directive)
        if given is None or not given.args:
            return ""
        first = given.args[0]
        while isinstance(first, ast.Call):
            first = first.args[0]
        return str(ast.literal_eval(first))

    def _named(self, directive: str) -> dict[str, Any]:
        """Literals among the named arguments of a directive."""
        given = self.directives.get(directive)
        named = [] if given is None else given.keywords
        return {k.arg: k.value.value for k in named if k.arg and isinstance(k.value, ast.Constant)}


@cache
def rule_texts(snakefile: Path = ROOT / "Snakefile") -> dict[str, RuleText]:
    """Read the rules of a Snakefile and of its included files, in order.

    Parameters
    ----------
    snakefile : Path

    Returns
    -------
    dict of str to RuleText
        By name.

    Raises
    ------
    UserError
        If a directive cannot be parsed as Python arguments.
    """
    text = snakefile.read_text(encoding="utf-8")
    found: dict[str, RuleText] = {}
    for file in (*(snakefile.parent / m["path"] for m in _INCLUDED.finditer(text)), snakefile):
        for rule, base in _rules(file):
            inherited = found[base].directives if base else {}
            found[rule.name] = RuleText(rule.name, file, {**inherited, **rule.directives})
    return found


@cache
def rules_by_step() -> dict[str, RuleText]:
    """Return the rules with a step and a product of a project, by step."""
    found: dict[str, RuleText] = {}
    for rule in rule_texts().values():
        if rule.step and rule.output is not None and "shared" not in rule.output.wildcards:
            found.setdefault(rule.step, rule)
    return found


@cache
def place_of(rule: str) -> str:
    """Return the output path of a rule inside the results of a project, with wildcards."""
    output = rule_texts()[rule].output
    return output.inside if output is not None else ""


@cache
def imports_of(file: Path) -> str:
    """Return the import lines of a file of rules."""
    return "\n".join(_IMPORT.findall(file.read_text(encoding="utf-8")))


def _rules(file: Path) -> Iterator[tuple[RuleText, str]]:
    """Yield the rules of a file, each with the name of the rule that it inherits from."""
    lines = file.read_text(encoding="utf-8").splitlines()
    for number, line in enumerate(lines):
        head = _HEAD.fullmatch(line)
        if head is not None:
            block = _block(lines[number + 1 :], len(head["indent"]))
            rule = RuleText(head["name"], file, _directives(block, f"{file}: rule {head['name']}"))
            yield rule, head["base"] or ""


def _block(lines: list[str], indent: int) -> list[str]:
    """Return the lines indented deeper than the head of their rule."""
    block = []
    for line in lines:
        if line.strip() and len(line) - len(line.lstrip()) <= indent:
            break
        block.append(line)
    return textwrap.dedent("\n".join(block)).splitlines()


def _directives(block: list[str], where: str) -> dict[str, ast.Call]:
    texts: dict[str, list[str]] = {}
    name = ""
    for line in block:
        match = _DIRECTIVE.fullmatch(f" {line}") if line[:1].isalpha() else None
        if match is not None:
            name = match["name"]
            texts[name] = [match["rest"]]
        elif name:
            texts[name].append(line)
    return {name: _arguments(lines, f"{where}: {name}") for name, lines in texts.items()}


def _arguments(lines: list[str], where: str) -> ast.Call:
    text = "\n".join(lines)
    try:
        call = ast.parse(f"_({text}\n)", mode="eval").body
    except SyntaxError as error:
        msg = f"{where}: not the arguments of a directive; correct the rule: {error.msg}"
        raise UserError(msg) from None
    assert isinstance(call, ast.Call)
    return call
