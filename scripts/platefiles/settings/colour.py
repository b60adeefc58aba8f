"""From channels to colours."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from platefiles.settings.model import Settings, Switch

Row = dict[str, Annotated[float, Field(ge=0, le=1e6)]]
"""Weights of channels in one output colour, by channel name."""


class Mapping(Settings):
    """The channels of each output colour, with weights."""

    red: Row | None = None
    """Channels of red, each with its weight; '*' is every channel not named in the row."""
    green: Row | None = None
    """Channels of green, each with its weight; '*' is every channel not named in the row."""
    blue: Row | None = None
    """Channels of blue, each with its weight; '*' is every channel not named in the row."""
    luminance: Row | None = None
    """Channels of the brightness; without colours, they make a black-and-white picture."""

    @model_validator(mode="after")
    def _makes_a_picture(self) -> Self:
        missing = [name for name in ("red", "green", "blue") if name not in self.rows]
        if missing and (len(missing) < 3 or self.luminance is None):
            msg = (
                f"no channel makes {' and '.join(missing)}: give red, green and blue, "
                "or luminance alone for a black-and-white picture"
            )
            raise ValueError(msg)
        return self

    @property
    def rows(self) -> dict[str, Row]:
        """Rows that are given, by output colour, in the order red, green, blue, luminance."""
        every = {name: getattr(self, name) for name in ("red", "green", "blue", "luminance")}
        return {name: row for name, row in every.items() if row is not None}


class Scale(Settings):
    """Factors of the three colours."""

    red: float = Field(default=1.0, gt=0, le=1000)
    """Factor of red."""
    green: float = Field(default=1.0, gt=0, le=1000)
    """Factor of green."""
    blue: float = Field(default=1.0, gt=0, le=1000)
    """Factor of blue."""


class Colour(Settings):
    """Colour balance."""

    white: Literal["auto", "sun_like_star", "a0_star", "mean_star", "given"] = "auto"
    """White reference: stars of a known colour, the mean star, or the factors of 'scale'."""
    scale: Scale = Scale()
    """Factors of red, green and blue, for 'white: given'."""
    grey_sky: Switch = True
    """Subtract the mean colour of the sky, so that the sky is grey."""
    luminance_weights: Literal["given", "noise"] = "given"
    """Weights of the luminance row: as given, or times signal over noise squared."""
