"""Settings of the machine that runs the workflow; they never change a product."""

from pathlib import Path
from typing import Annotated

from pydantic import Field, StringConstraints, ValidationError

from platefiles.config.problems import Source, problem_lines
from platefiles.config.yaml_file import YamlError, read_yaml
from platefiles.core.errors import UserError
from platefiles.settings.model import Settings

Word = Annotated[str, StringConstraints(min_length=1)]


class Machine(Settings):
    """Limits of a run on this machine, and the program called at its end."""

    cores: int | None = Field(default=None, ge=1, le=4096)
    """Processors that a run may use."""
    memory_gb: float | None = Field(default=None, ge=1, le=100_000, strict=False)
    """Memory that the jobs of a run may take together, in GB."""
    on_finish: list[Word] = []
    """Program, with its arguments, to start after a run that made products or failed."""


def read_machine(path: Path) -> Machine:
    """Read the settings of this machine; without a file, return the defaults.

    Raises
    ------
    UserError
        With all problems of the file.
    """
    if not path.exists():
        return Machine()
    try:
        file = read_yaml(path)
    except YamlError as error:
        raise UserError("\n".join(error.problems)) from None
    try:
        return Machine.model_validate(file.data)
    except ValidationError as error:
        raise UserError("\n".join(problem_lines(error, Machine, [Source(file)]))) from None
