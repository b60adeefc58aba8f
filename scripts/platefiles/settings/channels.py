"""PSF matching and continuum subtraction."""

from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError, ValidatorFunctionWrapHandler, field_validator

from platefiles.settings.model import Settings, Switch


class Seeing(Settings):
    """PSF matching of channels."""

    match: Switch = False
    """Convolve every channel of the picture to the widest PSF among them."""


class Continuum(Settings):
    """The continuum subtraction of a narrowband channel."""

    minus: str
    """Broadband channel that shows the same starlight without the line."""
    scale: Literal["auto"] | Annotated[float, Field(gt=0, le=1000)] = "auto"
    """Factor of the broadband channel; auto: from the stars of the field."""

    @field_validator("scale", mode="wrap")
    @classmethod
    def _one_sentence(cls, value: Any, check: ValidatorFunctionWrapHandler) -> Any:
        try:
            return check(value)
        except ValidationError:
            msg = f"must be 'auto' or a number above 0, at most 1000 (got {value!r})"
            raise ValueError(msg) from None


Continua = dict[str, Continuum]
"""Continuum to subtract, by narrowband channel."""
