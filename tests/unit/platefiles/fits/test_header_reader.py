import io
from types import SimpleNamespace

import pytest
from astropy.io import fits

from platefiles.fits.header_reader import (
    HeaderError,
    card_value,
    cards_of,
    parse,
    read_header_bytes,
    texts_under,
)

LONG = "No flats: dust stays, it's " + "and so on & on, " * 20


def stream(**cards):
    """The bytes of a header that astropy wrote."""
    return io.BytesIO(fits.Header(list(cards.items())).tostring().encode())


def test_long_texts_are_read_whole():
    """A text that goes on in CONTINUE cards comes back as it was given to astropy."""
    header = stream(SIMPLE=True, NOTDONE1=LONG, OTHER=LONG, NOTDONE2="No bias.", BITPIX=8)
    assert texts_under(read_header_bytes(header), "NOTDONE") == [LONG.rstrip(), "No bias."]


def test_nothing_is_put_after_a_whole_text():
    """A CONTINUE card goes with a text that ends with an ampersand, and with nothing else."""
    cards = ["SIMPLE  = T", "NOTDONE1= 'whole'", "CONTINUE  'stray'", "END"]
    header = "".join(card.ljust(80) for card in cards).ljust(2880)
    assert texts_under(read_header_bytes(io.BytesIO(header.encode())), "NOTDONE") == ["whole"]


def test_header_without_an_end_is_refused():
    """What is no whole header is an error with a reason."""
    with pytest.raises(HeaderError, match="is cut short inside its header"):
        read_header_bytes(io.BytesIO(stream(SIMPLE=True).read(1000)))


VALUES = {"SIMPLE": True, "BITPIX": -32, "FILTER": "O'III", "GAIN": 1.5e-3, "EMPTY": None}


def test_values_are_those_that_astropy_wrote():
    """Logical values, numbers, texts with quotes and cards without a value are read back."""
    header = read_header_bytes(stream(**VALUES))
    assert {keyword: card_value(header, keyword) for keyword in VALUES} == VALUES
    assert card_value(header, "FILT") is None
    assert [card[:8].rstrip().decode() for card in cards_of(header)] == list(VALUES)


def test_a_stream_is_left_at_the_data():
    """Whoever takes digests is given the bytes of the header; the stream is left behind them."""
    taken = []
    file = io.BytesIO(stream(SIMPLE=True, **{f"K{n}": n for n in range(50)}).read() + b"data")
    header = read_header_bytes(file, SimpleNamespace(update=taken.append))
    assert b"".join(taken) == header
    assert len(header) == 2 * 2880
    assert file.read() == b"data"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("                 1.5D3 / [s] a comment", (1500.0, "[s] a comment")),
        (" 'a / b' / it''s", ("a / b", "it''s")),
        ("                   NaN", ("NaN", "")),
        (" / nothing", (None, "nothing")),
    ],
)
def test_value_and_comment_of_a_card(text, expected):
    """A slash inside a text begins no comment; a number that is none stays a text."""
    assert parse(text.encode()) == expected
