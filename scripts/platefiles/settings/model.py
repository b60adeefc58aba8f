"""The model that all groups of settings are made from."""

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field


class Settings(BaseModel):
    """A frozen group of settings that refuses keys it does not know."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, allow_inf_nan=False, use_attribute_docstrings=True
    )


Switch = Annotated[bool, Field(strict=False)]
"""A yes-or-no setting that also takes the words yes, no, on and off."""
