import numpy as np
import pytest

from platefiles.orbits.packed_designations import Identity, comet, epochs, julian_day, minor_planet


@pytest.mark.parametrize(
    ("packed", "permanent", "provisional"),
    [
        ("00001", "1", ""),
        ("99999", "99999", ""),
        ("A0000", "100000", ""),
        ("a0017", "360017", ""),
        ("~0000", "620000", ""),
        ("~AZaz", "3140113", ""),
        ("J95X00A", "", "1995 XA"),
        ("J95X01L", "", "1995 XL1"),
        ("K07Tf8A", "", "2007 TA418"),
        ("J98SA8Q", "", "1998 SQ108"),
        ("PLS2040", "", "2040 P-L"),
        ("T1S3138", "", "3138 T-1"),
        ("J04O00A", "", "A904 OA"),
        ("_QC0000", "", "2026 CA620"),
        ("_QC0aEM", "", "2026 CZ6190"),
    ],
)
def test_published_examples_are_written_out(packed, permanent, provisional):
    """The examples of the MPC's page on packed designations (some from memory)."""
    assert minor_planet(packed) == Identity(permanent, provisional)


@pytest.mark.parametrize(
    ("columns", "expected"),
    [
        (("0001", "P", "       "), Identity(permanent="1P")),
        (("0073", "P", "      b"), Identity(permanent="73P-B")),
        (("0001", "I", "       "), Identity(permanent="1I")),
        (("    ", "C", "K14A010"), Identity(provisional="C/2014 A1")),
        (("    ", "P", "J94P01b"), Identity(provisional="P/1994 P1-B")),
        (("    ", "P", "K03UR5Y"), Identity(provisional="P/2003 UY275")),
    ],
)
def test_comets_are_written_out(columns, expected):
    """Numbers, fragments, and designations in both styles become those of ADES."""
    assert comet(*columns) == expected


@pytest.mark.parametrize("wrong", ["", "000", "K07T*8A", "K0xTf8A", "0000A", "K07If8", "ABCDEFGH"])
def test_damaged_designations_are_refused(wrong):
    """What is no packed designation is refused with its text."""
    with pytest.raises(ValueError, match="no packed designation"):
        minor_planet(wrong)
    with pytest.raises(ValueError, match="no packed designation"):
        comet("    ", " ", wrong)


def test_packed_dates_are_days():
    """The examples of the MPC's page on packed dates: J9611 is 1996 January 1, and so on."""
    rows = [
        b"J9611",
        b"J96AA",
        b"J969U",
        b"J96A1",
        b"K01AM",
        b"K205V",
        b"K2 5V",
        b"Z9611",
        b"J96D1",
    ]
    text = np.frombuffer(b"".join(rows), dtype=np.uint8).reshape(-1, 5)
    expected = [2450083.5, 2450366.5, 2450356.5, 2450357.5, 2452204.5, 2459000.5]
    np.testing.assert_array_equal(epochs(text), [*expected, np.nan, np.nan, np.nan])


def test_days_have_fractions():
    """Meeus (1998), example 7.a: 1957 October 4.81 is JD 2436116.31."""
    assert julian_day(1957, 10, 4.81) == pytest.approx(2436116.31)
    assert julian_day(2000, 1, 1.5) == 2451545.0
