"""The job of a step as a frozen model, checked once when the step begins.

A job travels as one canonical JSON text (see `platefiles.plan.job_text`), and stands as such in the
record of a product. A step declares what it reads of its job as a subclass of `StepJob`; what a job
holds for its digest alone is not declared.
"""

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Self

from pydantic import BaseModel, ConfigDict, Field, PrivateAttr, ValidationError, model_validator

from platefiles.core.errors import UserError

Facts = dict[str, Any]
"""Facts of one frame, or of the equipment, by key."""

Rows = Annotated[tuple[Facts, ...], Field(strict=False)]
"""Facts of several frames, in the order of the step's files."""

Names = Annotated[tuple[str, ...], Field(strict=False)]
"""Several names, in order."""


class JobSettings(BaseModel):
    """The groups of settings of a job, each a model of `platefiles.settings` or a part of one."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)

    @model_validator(mode="after")
    def _is_complete(self) -> Self:
        for key in _left_to_defaults(self):
            msg = f"{'.'.join(key)} is missing"
            raise ValueError(msg)
        return self


class StepJob(BaseModel):
    """The common keys of the jobs of all steps."""

    model_config = ConfigDict(extra="ignore", frozen=True, strict=True)

    _recorded: Mapping[str, Any] = PrivateAttr(default_factory=dict)

    @classmethod
    def of(cls, job: Mapping[str, Any]) -> Self:
        """Check a job and return it as a model.

        Parameters
        ----------
        job : mapping
            As parsed from JSON.

        Raises
        ------
        UserError
            If a key is missing, is unknown or has another type than this version of the step
            expects, as in the record of a product of another version.
        """
        try:
            found = cls.model_validate(job)
        except ValidationError as error:
            first = error.errors()[0]
            msg = (
                "the job of this step was written by another version of it: "
                f"{'.'.join(map(str, first['loc']))}: {first['msg']}; start a run of the project, "
                "which makes the product again"
            )
            raise UserError(msg) from None
        found._recorded = job
        return found

    @property
    def recorded(self) -> Mapping[str, Any]:
        """The job as it was given, which records of products hold."""
        return self._recorded


def _left_to_defaults(model: BaseModel) -> Iterator[tuple[str, ...]]:
    """Yield the settings that a job does not hold: defaults are for recipes."""
    for name in type(model).model_fields:
        value = getattr(model, name)
        if name not in model.model_fields_set:
            yield (name,)
        elif isinstance(value, BaseModel):
            yield from ((name, *below) for below in _left_to_defaults(value))
