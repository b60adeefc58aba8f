import io

import pytest
from astropy.io import fits

from platefiles.fits.header_cards import HeaderError, read_texts

LONG = "No flats: dust stays, it's " + "and so on & on, " * 20


def stream(**cards):
    """The bytes of a header that astropy wrote."""
    return io.BytesIO(fits.Header(list(cards.items())).tostring().encode())


def test_long_texts_are_read_whole():
    """A text that goes on in CONTINUE cards comes back as it was given to astropy."""
    header = stream(SIMPLE=True, NOTDONE1=LONG, OTHER=LONG, NOTDONE2="No bias.", BITPIX=8)
    assert read_texts(header, "NOTDONE") == [LONG.rstrip(), "No bias."]


def test_nothing_is_put_after_a_whole_text():
    """A CONTINUE card goes with a text that ends with an ampersand, and with nothing else."""
    cards = ["SIMPLE  = T", "NOTDONE1= 'whole'", "CONTINUE  'stray'", "END"]
    header = "".join(card.ljust(80) for card in cards).ljust(2880)
    assert read_texts(io.BytesIO(header.encode()), "NOTDONE") == ["whole"]


def test_header_without_an_end_is_refused():
    """What is no whole header is an error with a reason."""
    with pytest.raises(HeaderError, match="is cut short inside its header"):
        read_texts(io.BytesIO(stream(SIMPLE=True).read(1000)), "NOTDONE")
