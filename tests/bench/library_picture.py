"""From integrated channels to a colour picture with sep, astropy, Pillow and tifffile.

    python library_picture.py CHANNELS_FOLDER OUTPUT_FOLDER [--deflate] [--all]

What the project is measured against, from its own channels on, written as the guides of the
libraries show it. It takes the faster way wherever they leave a choice: one call of
`make_lupton_rgb` for all formats, with an output of floats, which takes half the time of bytes; the
default level of compression, which for these images is as fast as lower ones; a single detection
on the mean of the channels. ``--deflate`` compresses the TIFF, and is given if the project's own
is compressed. ``--all`` adds a table of sources and the picture with circles around them.

It imports nothing of the project and does less than the project does. The picture: the background
of a mesh follows large galaxies, where the project fits a smooth surface beside them; no white
balance by stars of known colour; no interpolation of missing pixels, no care of saturated cores;
no world coordinates, colour profile or provenance in the files; no contact sheet and no
tables of subs and seeing. The sources: no zero points, no depth by injected stars, no aperture
corrections and no noise of correlated pixels, no classes, no catalogues; no graticule, names or
SVG in the annotated picture.
"""

import sys
from pathlib import Path

import numpy as np
import sep
import tifffile
from astropy.io import fits
from astropy.table import Table
from astropy.visualization import make_lupton_rgb
from astropy.wcs import WCS
from PIL import Image, ImageDraw

CHANNELS = ("r", "g", "b")
MESH_PX = 64
QUALITY = 92
DETECTION_SIGMA = 1.5
APERTURE_PX = 3.0
CIRCLE_PX = 12
PIXEL_STACK = 10_000_000


def subtracted(path: Path) -> tuple[np.ndarray, float]:
    """Return a channel without its background, 0 where it has no data, and its noise."""
    data = fits.getdata(path, "SCI").astype(np.float32)
    missing = np.isnan(data)
    background = sep.Background(data, mask=missing, bw=MESH_PX, bh=MESH_PX)
    background.subfrom(data)
    data[missing] = 0
    return data, background.globalrms


def write_pictures(planes: list[np.ndarray], noise: float, folder: Path, deflate: bool) -> None:
    """Stretch the channels and write PNG, JPEG and 16-bit TIFF, row 0 at the bottom."""
    rgb = make_lupton_rgb(
        *planes, minimum=-2 * noise, stretch=30 * noise, Q=8, output_dtype=np.float64
    )[::-1]
    tifffile.imwrite(
        folder / "rgb.tif",
        (65535 * rgb + 0.5).astype(np.uint16),
        photometric="rgb",
        compression="zlib" if deflate else None,
    )
    image = Image.fromarray((255 * rgb + 0.5).astype(np.uint8))
    image.save(folder / "rgb.png")
    image.save(folder / "rgb.jpg", quality=QUALITY)


def list_sources(planes: list[np.ndarray], noises: list[float], path: Path) -> Table:
    """Find sources on the mean of the channels and measure their fluxes in each."""
    sep.set_extract_pixstack(PIXEL_STACK)
    noise = float(np.sqrt(np.sum(np.square(noises)))) / len(noises)
    found = sep.extract(sum(planes) / len(planes), DETECTION_SIGMA, err=noise)
    ra, dec = WCS(fits.getheader(path, "SCI")).all_pix2world(found["x"], found["y"], 0)
    table = Table({"ra": ra, "dec": dec} | {name: found[name] for name in ("x", "y", "a", "b")})
    for channel, data, rms in zip(CHANNELS, planes, noises, strict=True):
        flux, error, flag = sep.sum_circle(data, found["x"], found["y"], APERTURE_PX, err=rms)
        table[f"flux_{channel}"], table[f"error_{channel}"] = flux, error
        table[f"flag_{channel}"] = flag
    return table


def annotate(picture: Path, sources: Table, path: Path) -> None:
    """Draw a circle around each source of the table over the picture."""
    with Image.open(picture) as image:
        draw = ImageDraw.Draw(image)
        top = image.height - 1
        for x, y in zip(sources["x"], sources["y"], strict=True):
            draw.circle((x, top - y), CIRCLE_PX, outline=(255, 200, 0))
        image.save(path)


def main(channels: Path, output: Path, deflate: bool, everything: bool) -> None:
    """Run the chain."""
    pictures, field = output / "picture", output / "field"
    for folder in (pictures, field):
        folder.mkdir(parents=True)
    paths = [channels / f"{channel}.fits" for channel in CHANNELS]
    planes, noises = zip(*map(subtracted, paths), strict=True)
    fits.writeto(pictures / "rgb.fits", np.stack(planes))
    write_pictures(planes, float(np.mean(noises)), pictures, deflate)
    if everything:
        sources = list_sources(planes, noises, paths[0])
        sources.write(field / "sources.ecsv", format="ascii.ecsv")
        sources.write(field / "sources.csv", format="ascii.csv")
        annotate(pictures / "rgb.png", sources, field / "annotated.png")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), "--deflate" in sys.argv, "--all" in sys.argv)
