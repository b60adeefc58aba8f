"""Map channels to output colours: each colour is a weighted mean of channels.

The matrix has a row for each output colour and a column for each channel; broadband pictures,
narrowband pictures and blends differ in its numbers alone. All arithmetic is in linear light.
"""

from collections.abc import Mapping, Sequence

import numpy as np

COLOURS = ("red", "green", "blue")
LUMINANCE = "luminance"
EVERY = "*"
_ROWS = 256

Weights = dict[str, dict[str, float]]


def plane_weights(matrix: Mapping[str, Mapping[str, float]], channels: Sequence[str]) -> Weights:
    """Convert the matrix of the settings to weights that sum to one in each row.

    Parameters
    ----------
    matrix : mapping
        Output colour (``red``, ``green``, ``blue``, ``luminance``) to channel name to weight.
        ``*`` stands for every channel that the row does not name itself.
    channels : sequence of str
        Names of the channels there are; their order is the order of summation.

    Returns
    -------
    dict
        Output colour to channel to weight, channels of weight zero left out. Colours come in
        the order red, green, blue, luminance. Only ``luminance``: a black-and-white picture.

    Raises
    ------
    ValueError
        If a row is unknown, empty or negative, names a channel that is not there, or if some
        of red, green and blue are given and others not.
    """
    unknown = [name for name in matrix if name not in (*COLOURS, LUMINANCE)]
    if unknown:
        msg = f"unknown output colour '{unknown[0]}': known are red, green, blue and luminance"
        raise ValueError(msg)
    missing = [name for name in COLOURS if name not in matrix]
    if missing and (len(missing) < len(COLOURS) or LUMINANCE not in matrix):
        msg = (
            f"no channel makes {' and '.join(missing)}: give red, green and blue, "
            "or luminance alone for a black-and-white picture"
        )
        raise ValueError(msg)
    return {
        colour: _row_weights(colour, matrix[colour], channels)
        for colour in (*COLOURS, LUMINANCE)
        if colour in matrix
    }


def _row_weights(
    colour: str, row: Mapping[str, float], channels: Sequence[str]
) -> dict[str, float]:
    for name, weight in row.items():
        if name != EVERY and name not in channels:
            msg = f"{colour} asks for channel '{name}', but there are {', '.join(channels)}"
            raise ValueError(msg)
        if not 0 <= weight < np.inf:
            msg = f"the weight of '{name}' in {colour} must be a number of 0 or more, not {weight}"
            raise ValueError(msg)
    full = {name: float(row.get(name, row.get(EVERY, 0.0))) for name in channels}
    total = sum(full.values())
    if total <= 0:
        msg = f"the weights of {colour} sum to zero"
        raise ValueError(msg)
    return {name: weight / total for name, weight in full.items() if weight > 0}


def weights_by_noise(
    row: Mapping[str, float], signals: Mapping[str, float], noises: Mapping[str, float]
) -> dict[str, float]:
    """Weight the channels of a row for the highest signal-to-noise ratio.

    Parameters
    ----------
    row : mapping of str to float
        Weights as wished, from `plane_weights`.
    signals : mapping of str to float
        Relative brightness of the same light in each channel, in the channel's unit.
    noises : mapping of str to float
        Standard deviation of a sky pixel in each channel, in the channel's unit.

    Returns
    -------
    dict
        Channel to weight, summing to one: the wished weight times signal over noise squared. With
        equal wishes it is the blend of the greatest ratio of signal to noise of all (Horne 1986,
        PASP 98, 609, equation 8, with the signal as profile). The unit of a channel does not
        matter.

    Raises
    ------
    ValueError
        If a signal or a noise is not above zero.
    """
    if not all(signals[name] > 0 and noises[name] > 0 for name in row):
        msg = "a channel has no noise, or no light, to be weighted by"
        raise ValueError(msg)
    full = {name: weight * signals[name] / noises[name] ** 2 for name, weight in row.items()}
    total = sum(full.values())
    # Far more digits than the weights are known to, far fewer than processors differ in.
    return {name: float(f"{weight / total:.6g}") for name, weight in full.items()}


def add_channel(image: np.ndarray, name: str, weights: Weights, planes: np.ndarray) -> None:
    """Add a channel to the planes of the rows that have it.

    The channels are added one after the other in the order of the rows. A pixel that lacks one of
    the channels of a row becomes NaN: the mean of the others would be another colour.

    Parameters
    ----------
    image : numpy.ndarray
        ``(ny, nx)`` float32, linear light, NaN where there are no data.
    name : str
    weights : Weights
        From `plane_weights`.
    planes : numpy.ndarray
        ``(n, ny, nx)`` float32, a plane for each row, changed in place; the first channel of a row
        sets its plane.

    Raises
    ------
    ValueError
        If the channel differs in size.
    """
    if image.shape != planes.shape[1:]:
        size, other = (f"{nx} x {ny}" for ny, nx in (image.shape, planes.shape[1:]))
        msg = f"channels differ in size: {name} has {size} pixels, others have {other}"
        raise ValueError(msg)
    for plane, row in zip(planes, weights.values(), strict=True):
        if name not in row:
            continue
        weight, is_first = np.float32(row[name]), name == next(iter(row))
        for start in range(0, len(image), _ROWS):
            rows = slice(start, start + _ROWS)
            if is_first:
                np.multiply(image[rows], weight, out=plane[rows])
            else:
                plane[rows] += image[rows] * weight
