"""Models of a recipe: how subs become a picture, shared by many projects.

The descriptions are shown by editors through the generated JSON schema. Imports stay light,
because this module is loaded each time that Snakemake reads its rules.
"""

from typing import Annotated, Any, Literal, Self

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    ValidatorFunctionWrapHandler,
    field_validator,
    model_validator,
)


class Settings(BaseModel):
    """A frozen group of settings that refuses keys it does not know."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, allow_inf_nan=False, use_attribute_docstrings=True
    )


Switch = Annotated[bool, Field(strict=False)]
"""A yes-or-no setting that also takes the words yes, no, on and off."""

Row = dict[str, Annotated[float, Field(ge=0, le=1e6)]]
"""Weights of channels in one output colour, by channel name."""


class Calibration(Settings):
    """How raw subs are freed of bias, dark current and uneven light."""

    temperature_tolerance_c: float = Field(default=2.0, ge=0, le=50)
    """Largest difference in sensor temperature between a sub and its darks, in degrees C."""
    exposure_tolerance: float = Field(default=0.02, ge=0, le=1)
    """Largest difference in exposure between a sub and its darks, as a fraction."""
    scale_darks: Switch = False
    """Scale a dark to the exposure of the sub; needs bias frames."""
    min_flats: int = Field(default=5, ge=1, le=1000)
    """With fewer flats on one night, the nights of the channel are pooled."""
    clip_sigma: float = Field(default=4.0, ge=1, le=100)
    """Pixels further than this many sigma from the others are left out of a master."""
    hot_pixel_sigma: float = Field(default=8.0, ge=1, le=1000)
    """Pixels whose dark current stands out by this many sigma are masked."""
    dead_pixel_response: float = Field(default=0.5, ge=0, le=1)
    """Pixels that see less than this fraction of the flat's light are masked."""


class Measure(Settings):
    """How stars and sky of each sub are measured."""

    detection_sigma: float = Field(default=6.0, ge=2, le=1000)
    """How far a star must stand above the noise of the sky, in sigma."""
    aperture_fwhm: float = Field(default=2.5, ge=1, le=10)
    """Radius of the circle in which a star's light is summed, in FWHM of the sub's stars."""
    background_cell_px: int = Field(default=64, ge=8, le=2048)
    """Side of the cells in which the sky is measured, in pixels."""
    max_stars: int = Field(default=2000, ge=20, le=100_000)
    """The brightest this many stars of each sub are kept."""


class Quality(Settings):
    """Which subs are too poor to be used."""

    min_stars: int = Field(default=8, ge=3, le=100_000)
    """A sub with fewer stars is left out."""
    min_transparency: float = Field(default=0.5, ge=0, le=1)
    """A sub whose stars are fainter than this fraction of the best is left out as clouded."""
    max_fwhm_ratio: float = Field(default=1.8, ge=1, le=100)
    """A sub whose stars are wider than this many times the median is left out."""
    max_ellipticity: float = Field(default=0.45, ge=0, le=1)
    """A sub whose stars are more drawn out than this (0 round, 1 a line) is left out."""
    max_background_ratio: float = Field(default=20.0, ge=1)
    """A sub whose sky is brighter than this many times the median is left out."""


class Registration(Settings):
    """How subs are laid on each other."""

    min_matches: int = Field(default=8, ge=3, le=100_000)
    """A sub with fewer stars in common with the reference is left out."""
    max_rms_px: float = Field(default=0.5, gt=0, le=10)
    """A sub whose stars miss their places by more than this, in pixels rms, is left out."""
    max_degree: int = Field(default=3, ge=1, le=5)
    """Highest polynomial degree of the transform: 1 shifts, turns and scales, 3 also bends."""


class Integration(Settings):
    """How the subs of a channel become one image."""

    clip: Literal["noise", "sigma", "mad", "esd", "none"] = "noise"
    """The test that tells cosmic rays and trails from stars and sky."""
    clip_low: float = Field(default=4.0, ge=0, le=1000)
    """Pixels this many sigma too dark are left out."""
    clip_high: float = Field(default=4.0, ge=0, le=1000)
    """Pixels this many sigma too bright are left out."""
    max_iterations: int = Field(default=5, ge=1, le=100)
    """The clipping is repeated at most this many times."""
    clip_tolerance: float = Field(default=0.02, ge=0, le=1)
    """Fraction by which the light of a star may differ once subs have equal star images."""
    esd_alpha: float = Field(default=0.01, gt=0, lt=0.5)
    """Chance of a false alarm in one pixel, for the esd test only."""
    grow_px: int = Field(default=2, ge=0, le=50)
    """Clipped pixels take their neighbours with them up to this distance, in pixels."""
    single_frame_cosmic_rays: Literal["auto", "always", "never"] = "auto"
    """Look for cosmic rays on each sub by itself; auto: in channels with fewer than 5 subs."""
    weights: Literal["noise", "noise_and_seeing", "equal"] = "noise"
    """What makes one sub count for more than another."""
    background_match: Literal["constant", "plane", "quadratic"] = "quadratic"
    """The shape of the difference in sky between subs that is taken out."""
    min_subs: int = Field(default=3, ge=1, le=100_000)
    """A channel with fewer usable subs than this is not made."""
    max_excluded: float = Field(default=0.9, ge=0, le=1)
    """A channel that loses more than this fraction of its subs is not made."""


class Gradient(Settings):
    """How the gradient of a channel's sky is taken out."""

    surface: Literal["chebyshev", "thin_plate", "none"] = "chebyshev"
    """The smooth surface that is the sky's gradient: a polynomial, a bent plate, or none."""
    degree: int = Field(default=2, ge=1, le=6)
    """Degree of the polynomial: 1 a plane, 2 also bends; higher ones may follow faint nebulae."""
    mask_sigma: float = Field(default=3.0, ge=1.5, le=20)
    """Light this many sigma above the sky, at any scale, is no sky."""


class Seeing(Settings):
    """What is done about channels whose stars differ in width."""

    match: Switch = False
    """Soften every channel of the picture to the one with the widest stars."""


class Continuum(Settings):
    """What starlight is taken out of a narrowband channel."""

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
"""Starlight to take out, by narrowband channel."""


class Mapping(Settings):
    """Which channels make which output colour, with weights."""

    red: Row | None = None
    """Channels that make red, each with its weight; '*' is every channel not named beside it."""
    green: Row | None = None
    """Channels that make green, each with its weight; '*' is every channel not named beside it."""
    blue: Row | None = None
    """Channels that make blue, each with its weight; '*' is every channel not named beside it."""
    luminance: Row | None = None
    """Channels that make the brightness; alone, it makes a black-and-white picture."""

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
    """How the colours are balanced."""

    white: Literal["auto", "sun_like_star", "a0_star", "mean_star", "given"] = "auto"
    """What is made white: stars of a known colour, the field's mean star, or what 'scale' gives."""
    scale: Scale = Scale()
    """Factors of red, green and blue, used with 'white: given'."""
    grey_sky: Switch = True
    """Take the mean colour of the sky out, so that the sky is grey."""
    luminance_weights: Literal["given", "noise"] = "given"
    """Weights of the luminance row: as given, or times signal over noise squared."""


class Geometry(Settings):
    """Place, turn and size of the picture; light is sampled at most once for all of them."""

    position_angle_deg: float | None = Field(default=None, ge=-360, le=360)
    """Angle of the picture's upward direction from north through east; 0 puts north up."""
    scale: float = Field(default=1.0, ge=0.05, le=4)
    """Pixels of the picture where the channels have one, along a line."""
    crop: Literal["common", "none"] = "common"
    """'common' cuts off what not every channel covers; 'none' leaves it, in black."""


class Stretch(Settings):
    """How faint light is lifted (asinh of Lupton et al. 2004, PASP 116, 133)."""

    sky_level: float = Field(default=0.09, gt=0, le=0.5)
    """Brightness of the sky in the finished picture, from 0 (black) to 1 (white)."""
    black_sigma: float = Field(default=2.5, gt=0, le=100)
    """Black lies this many sigma of the sky below the sky: lower lifts faint light, and noise."""
    white_clip_fraction: float = Field(default=0.0005, ge=0, le=0.1)
    """Share of the pixels above white on the curve, as a fraction: higher brightens the rest."""
    shoulder: float = Field(default=0.8, gt=0, le=1)
    """Brightness from which highlights are rolled off, so that cores keep shape; 1 cuts them."""
    saturation: float = Field(default=1.0, ge=0, le=4)
    """Strength of the colours: 0 grey, 1 as the light gives them."""
    colour_smoothing_px: float = Field(default=2.0, ge=0, le=20)
    """Colours of faint light are averaged over about this radius, in pixels; 0 leaves them."""
    max_chroma_gain: float = Field(default=2.0, ge=1, le=100)
    """Where luminance brightens a pixel, its chroma grows in step, at most by this factor."""


class Finish(Settings):
    """Steps that please the eye beyond what the data say; each that is taken is recorded."""

    deconvolution: float = Field(default=0.0, ge=0, le=1)
    """Share of brightness deconvolved with the measured star image, where signal is high."""
    colour_denoise: float = Field(default=0.0, ge=0, le=1)
    """Strength of smoothing of the colours between edges; brightness stays as it is."""
    local_contrast: float = Field(default=0.0, ge=0, le=1)
    """Share of locally equalised lightness above the sky."""


class Depth(Settings):
    """What is told of the depth of a channel."""

    surface_brightness: float = Field(default=25.0, ge=5, le=40)
    """Surface whose signal-to-noise is told, in magnitudes a square arc second."""


class Annotation(Settings):
    """What is drawn over the picture."""

    stars_to_mag: float = Field(default=11.0, ge=-2, le=30)
    """Stars of the catalogue are labelled down to this magnitude."""
    extended_sources: int = Field(default=20, ge=0, le=1000)
    """So many extended sources that no catalogue has are marked, the most significant first."""


class Recipe(Settings):
    """Settings shared by many projects."""

    description: str = ""
    """What the recipe is for, in a sentence."""
    mapping: Mapping
    """Which channels make which output colour."""
    calibration: Calibration = Calibration()
    """How raw subs are freed of bias, dark current and uneven light."""
    measure: Measure = Measure()
    """How stars and sky of each sub are measured."""
    quality: Quality = Quality()
    """Which subs are too poor to be used."""
    registration: Registration = Registration()
    """How subs are laid on each other."""
    integration: Integration = Integration()
    """How the subs of a channel become one image."""
    gradient: Gradient = Gradient()
    """How the gradient of a channel's sky is taken out."""
    seeing: Seeing = Seeing()
    """What is done about channels whose stars differ in width."""
    continuum: Continua = {}
    """Narrowband channels, by name, whose starlight is taken out before the mapping."""
    colour: Colour = Colour()
    """How the colours are balanced."""
    geometry: Geometry = Geometry()
    """Place, turn and size of the picture."""
    stretch: Stretch = Stretch()
    """How faint light is lifted."""
    finish: Finish = Finish()
    """Steps that please the eye beyond what the data say."""
    depth: Depth = Depth()
    """What is told of the depth of a channel."""
    annotation: Annotation = Annotation()
    """What is drawn over the picture."""
    files: list[Literal["png", "tif", "jpg"]] = ["png", "tif", "jpg"]
    """Picture files to write; the linear FITS cube is always written."""
    web_px: list[Annotated[int, Field(ge=16, le=20_000)]] = []
    """Longer sides of smaller JPEG pictures to write as well, in pixels."""
