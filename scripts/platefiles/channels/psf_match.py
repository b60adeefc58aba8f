"""Match the PSFs of two channels, with a kernel from their common stars."""

from dataclasses import dataclass

import numpy as np

from platefiles.channels.background_subtracted import FlatChannel
from platelib.detection.channel_stars import width_of
from platelib.psf_matching.convolve_channel import soften, within_reach
from platelib.psf_matching.matching_kernel import (
    FEWEST_STARS,
    MatchingKernel,
    fit_kernel,
    half_sizes,
)
from platelib.psf_matching.stamps import StarPairs, cut_stamps, pair_stars, stamp_width

_NEAR_FWHM = 4.0
_PROBE_HALF_PX = 12
_TOO_FEW = f"PSF matching: fewer than {FEWEST_STARS} isolated stars"


@dataclass(frozen=True)
class Matching:
    """The PSF match of the sharper of two channels to the other.

    Attributes
    ----------
    pairs : StarPairs
        Stars common to both channels.
    kernel : MatchingKernel or None
        None if nothing was convolved.
    softened : int
        Index of the convolved channel, 0 or 1.
    note : str
        Reason why neither was convolved, if one should have been.
    """

    pairs: StarPairs
    kernel: MatchingKernel | None
    softened: int
    note: str = ""

    def cards(self, names: tuple[str, str]) -> list[tuple]:
        """Cards that tell of it, for channels of these names."""
        if self.kernel is None:
            none = [("MATCHED", "none")]
            return [*none, ("NOTDONE1", self.note)] if self.note else none
        kernel = self.kernel
        return [
            ("MATCHED", names[self.softened]),
            ("MATCHTO", names[1 - self.softened]),
            ("MATCHNUM", kernel.stars),
            ("FWHMWAS", kernel.before_px),
            ("FWHMTO", kernel.wanted_px),
            ("FWHMNOW", kernel.after_px),
            ("FWHMRAT", round(kernel.wanted_px / kernel.before_px, 4)),
            ("MATCHRES", kernel.residual),
        ]


def match_pair(
    channels: tuple[FlatChannel, FlatChannel],
    stars: tuple[np.ndarray, np.ndarray],
    softened: int | None = None,
    convolve: bool = True,
) -> tuple[tuple[FlatChannel, FlatChannel], Matching]:
    """Match the sharper of two channels to the PSF of the other.

    Parameters
    ----------
    channels : tuple of FlatChannel
        On one grid.
    stars : tuple of numpy.ndarray
        Their stars, of dtype `platelib.detection.star_table.STAR`.
    softened : int, optional
        Index of the channel to convolve; by default, the channel with the narrower stars.
    convolve : bool
        False if both have been matched before.

    Returns
    -------
    channels : tuple of FlatChannel
        The input, with one channel convolved.
    matching : Matching
    """
    matching = matching_of((channels[0].image, channels[1].image), stars, softened, convolve)
    if matching.kernel is None:
        return channels, matching
    done = [*channels]
    done[matching.softened] = soften_channel(channels[matching.softened], matching.kernel)
    return (done[0], done[1]), matching


def matching_of(
    images: tuple[np.ndarray, np.ndarray],
    stars: tuple[np.ndarray, np.ndarray],
    softened: int | None = None,
    convolve: bool = True,
) -> Matching:
    """Return how one channel is matched to the PSF of the other; see `match_pair`.

    Parameters
    ----------
    images : tuple of numpy.ndarray
        ``(ny, nx)`` float32.
    stars, softened, convolve
        See `match_pair`.
    """
    width = max(width_of(one).fwhm_px for one in stars)
    near = _NEAR_FWHM * width if np.isfinite(width) else _PROBE_HALF_PX
    pairs = pair_stars(*stars, near)
    if not convolve:
        return Matching(pairs, None, 0)
    probes = cut_stamps(images, pairs, _PROBE_HALF_PX)
    widths = [stamp_width(stamps) for stamps in probes[:2]]
    if softened is None:
        softened = 0 if widths[0] <= widths[1] else 1
    if not np.isfinite(widths).all() or len(probes[2]) < FEWEST_STARS:
        return Matching(pairs, None, softened, _TOO_FEW)
    sharp, soft = softened, 1 - softened
    _, half = half_sizes(widths[sharp], widths[soft])
    *stamps, chosen = cut_stamps(images, pairs, half)
    if len(chosen) < FEWEST_STARS:
        return Matching(pairs, None, softened, _TOO_FEW)
    rows = (pairs.first[chosen], pairs.second[chosen])
    shares = [
        one["flux_error"][row] / one["flux"][row] for one, row in zip(stars, rows, strict=True)
    ]
    errors = np.sqrt(shares[0] ** 2 + shares[1] ** 2)
    kernel = fit_kernel(stamps[sharp], stamps[soft], errors, (widths[sharp], widths[soft]))
    return Matching(pairs, kernel, softened)


def soften_channel(channel: FlatChannel, kernel: MatchingKernel) -> FlatChannel:
    """Convolve a channel with a kernel."""
    image, variance, factor = soften(channel.image, channel.variance, kernel.taps)
    noise_factor = float(f"{channel.noise_factor * factor:.4f}")
    cores = within_reach(channel.cores, len(kernel.taps) // 2)
    return FlatChannel(image, variance, channel.unit, noise_factor, cores)
