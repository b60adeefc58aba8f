"""Star catalogues of public archives, and how to query each archive.

Services speak TAP 1.1 with ADQL 2.0 or Simple Cone Search 1.03 (IVOA Recommendations). URLs are as
the archives document them:

- ARI Heidelberg, Gaia services: https://gaia.ari.uni-heidelberg.de/help.html
- GAVO data centre, Heidelberg: http://dc.g-vo.org/__system__/tap/run/info
- CDS Strasbourg, TAPVizieR: https://tapvizier.cds.unistra.fr/adql/about.html; its cone search as
  the documentation of `astropy.io.votable.dataorigin` calls it; hosts of mirrors:
  http://vizier.nao.ac.jp/doc/asu-summary.htx
- AIP Potsdam: https://gaia.aip.de/cms/documentation/tap-interface/
- ESA: https://www.cosmos.esa.int/web/gaia-users/archive/programmatic-access
- NOIRLab Astro Data Lab: https://datalab.noirlab.edu/docs/manual/ (Catalog Data Access)

Columns of tables at CDS are those of the ReadMe of each catalogue.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True)
class Service:
    """A service that provides a catalogue.

    Attributes
    ----------
    archive : str
        Name in sentences.
    url : str
        Base URL of its TAP service, or URL of its cone search.
    table : str
        Name of the table in ADQL; empty for a cone search.
    columns : mapping of str to str
        ADQL names of its columns, by the column names of a user's table
        (`platefiles.astrometry.star_catalogue.read_star_table`).
    """

    archive: str
    url: str
    table: str
    columns: Mapping[str, str]

    @property
    def is_cone_search(self) -> bool:
        """Whether the service is a cone search: all stars of a circle, without ADQL."""
        return not self.table


@dataclass(frozen=True)
class PublishedCatalogue:
    """A catalogue that the key ``catalogue`` may name.

    Attributes
    ----------
    name : str
    title : str
        Name in sentences and headers.
    epoch : float
        Julian year of its positions.
    brightness : str
        Platelog's name of the magnitude that selects the brightest stars.
    faintest : float
        Approximate completeness limit, magnitude.
    services : tuple of Service
        In order of preference.
    """

    name: str
    title: str
    epoch: float
    brightness: str
    faintest: float
    services: tuple[Service, ...]


def _same(*names: str) -> Mapping[str, str]:
    return MappingProxyType({name: name for name in names})


def _quoted(**names: str) -> Mapping[str, str]:
    """Return column names for CDS; quotes preserve capitals and signs."""
    return MappingProxyType({ours: f'"{theirs}"' for ours, theirs in names.items()})


_GAIA = _same(
    "source_id", "ra", "dec", "pmra", "pmdec", "phot_g_mean_mag", "phot_bp_mean_mag",
    "phot_rp_mean_mag",
)  # fmt: skip
_CDS = ("CDS Strasbourg", "https://tapvizier.cds.unistra.fr/TAPVizieR/tap")


def _vizier(table: str, **names: str) -> tuple[Service, ...]:
    """Return the services for a table at CDS: TAP, its cone search, and a mirror's cone search."""
    columns = _quoted(**names)
    return (
        Service(*_CDS, f'"{table}"', columns),
        *(
            Service(archive, f"https://{host}/viz-bin/conesearch/{table}", "", columns)
            for archive, host in (
                ("VizieR", "vizier.cds.unistra.fr"),
                ("VizieR at CfA", "vizier.cfa.harvard.edu"),
            )
        ),
    )


GAIA_DR3 = PublishedCatalogue(
    "gaia-dr3",
    "Gaia DR3",
    2016.0,
    "phot_g_mean_mag",
    20.0,
    (
        Service("ARI", "https://gaia.ari.uni-heidelberg.de/tap", "gaiadr3.gaia_source", _GAIA),
        Service("GAVO", "https://dc.g-vo.org/tap", "gaia.dr3lite", _GAIA),
        Service(
            *_CDS,
            '"I/355/gaiadr3"',
            _quoted(
                source_id="Source",
                ra="RA_ICRS",
                dec="DE_ICRS",
                pmra="pmRA",
                pmdec="pmDE",
                phot_g_mean_mag="Gmag",
                phot_bp_mean_mag="BPmag",
                phot_rp_mean_mag="RPmag",
            ),
        ),
        Service("AIP", "https://gaia.aip.de/tap", "gaiadr3.gaia_source", _GAIA),
        Service("ESA", "https://gea.esac.esa.int/tap-server/tap", "gaiadr3.gaia_source", _GAIA),
        Service("NOIRLab", "https://datalab.noirlab.edu/tap", "gaia_dr3.gaia_source", _GAIA),
    ),
)
"""Gaia Collaboration, Vallenari et al. (2023), A&A 674, A1."""

ATLAS_REFCAT2 = PublishedCatalogue(
    "atlas-refcat2",
    "ATLAS-REFCAT2",
    2015.5,
    "mag_r",
    19.0,
    _vizier(
        "J/ApJ/867/105/refcat2",
        ra="RA_ICRS",
        dec="DE_ICRS",
        pmra="pmRA",
        pmdec="pmDE",
        mag_r="rmag",
        mag_g="gmag",
        mag_i="imag",
        mag_z="zmag",
    ),
)
"""Tonry et al. (2018), ApJ 867, 105: places of Gaia DR2, magnitudes on the Pan-STARRS system."""

UCAC4 = PublishedCatalogue(
    "ucac4",
    "UCAC4",
    2000.0,
    "mag_f",
    16.0,
    _vizier(
        "I/322A/out",
        source_id="UCAC4",
        ra="RAJ2000",
        dec="DEJ2000",
        pmra="pmRA",
        pmdec="pmDE",
        mag_f="f.mag",
        mag_B="Bmag",
        mag_V="Vmag",
        mag_g="gmag",
        mag_r="rmag",
        mag_i="imag",
    ),
)
"""Zacharias et al. (2013), AJ 145, 44; its B, V, g, r and i are those of APASS."""

APASS_DR9 = PublishedCatalogue(
    "apass-dr9",
    "APASS DR9",
    2012.0,
    "mag_V",
    17.0,
    _vizier(
        "II/336/apass9",
        source_id="recno",
        ra="RAJ2000",
        dec="DEJ2000",
        mag_V="Vmag",
        mag_B="Bmag",
        mag_g="g'mag",
        mag_r="r'mag",
        mag_i="i'mag",
    ),
)
"""Henden et al. (2016), VizieR II/336; without proper motions."""

CATALOGUES: Mapping[str, PublishedCatalogue] = MappingProxyType(
    {one.name: one for one in (GAIA_DR3, ATLAS_REFCAT2, UCAC4, APASS_DR9)}
)
"""By name."""

DEEPEST = GAIA_DR3.name
"""What is recommended where Tycho-2 has too few stars."""


def adql(
    service: Service,
    brightness: str,
    cone: tuple[float, float, float],
    faintest: float,
    rows: int,
) -> str:
    """Return the query for the brightest stars in a circle.

    The circle is spherical, so right ascension 0 and the poles need no special case.

    Parameters
    ----------
    service : Service
    brightness : str
        Platelog's name of the magnitude that selects stars.
    cone : tuple of float
        Right ascension, declination and radius in degrees, ICRS.
    faintest : float
        Largest magnitude.
    rows : int
        Largest number of stars.

    References
    ----------
    ADQL 2.0, sections 2.4.6 (CIRCLE), 2.4.8 (CONTAINS) and 2.4.12 (POINT).
    """
    ra, dec, radius = cone
    columns, band = service.columns, service.columns[brightness]
    place = f"POINT('ICRS', {columns['ra']}, {columns['dec']})"
    circle = f"CIRCLE('ICRS', {round(ra, 6) % 360.0:.6f}, {dec:.6f}, {radius:.6f})"
    return (
        f"SELECT TOP {rows} {', '.join(columns.values())} FROM {service.table} "
        f"WHERE 1 = CONTAINS({place}, {circle}) AND {band} < {faintest:.2f} ORDER BY {band}"
    )


def line_to_add(file_name: str, name: str = DEEPEST) -> str:
    """Return the line for a published catalogue in a project file.

    Parameters
    ----------
    file_name : str
        Of the project file.
    name : str
        Of the catalogue.
    """
    return (
        f"the line `sky: {{catalogue: {name}}}` to {file_name}, or `catalogue: {name}` to the "
        "`sky` that it has"
    )
