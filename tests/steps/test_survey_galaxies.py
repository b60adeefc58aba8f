"""Galaxies of survey frames are found where a catalogue has them."""

import numpy as np
from astropy.io import fits
from astropy.wcs import WCS

from platelib.sources.background_subtracted import field_sky
from platelib.sources.extract import find_sources


def test_galaxies_of_a_survey_are_where_the_catalogue_has_them(raw_series):
    """NGC galaxies of OpenNGC are extended sources within 2 px of their places by header WCS."""
    from platefiles.sources.deep_sky_catalogues import open_ngc

    path = raw_series("gri-group").folder / "reprojected_sdss_r.fits"
    with fits.open(path) as hdus:
        image = hdus[0].data.astype(np.float32)
        header = hdus[0].header
        header["RADESYS"] = header.pop("RADECSYS")
        del header["DATE-OBS"], header["TIMESYS"]
        wcs = WCS(header)
    noise = 1.4826 * np.median(np.abs(image - np.median(image)))
    table = find_sources(field_sky(image, np.full_like(image, noise**2), cell_px=160)).table
    ny, nx = image.shape
    found = 0
    for one in open_ngc(313.17, -5.69, 0.2):
        x, y = wcs.all_world2pix(one.ra_deg, one.dec_deg, 0)
        if one.kind == "galaxy" and 0 < x < nx and 0 < y < ny:
            away = np.hypot(table["x"] - x, table["y"] - y)
            nearest = int(np.argmin(away))
            assert away[nearest] < 2
            assert table["extended"][nearest]
            found += 1
    assert found >= 3
