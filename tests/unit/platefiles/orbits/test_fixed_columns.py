import gzip

import numpy as np
import pytest

from platefiles.core.errors import UserError
from platefiles.orbits import fixed_columns
from platefiles.orbits.fixed_columns import numbers, rows_of, texts


def block(*rows):
    """Return rows of text as characters."""
    return np.frombuffer("".join(rows).encode(), dtype=np.uint8).reshape(len(rows), -1)


@pytest.mark.parametrize("seed", [1, 2])
def test_numbers_are_those_of_float(seed):
    """Each number of up to 15 digits is the double that ``float`` reads, wherever it stands."""
    rng = np.random.default_rng(seed)
    rows = []
    for _ in range(3000):
        text = f"{rng.uniform(-999, 999):.{rng.integers(0, 11)}f}"
        text = text.lstrip("-") if rng.random() < 0.3 else text
        rows.append(text.ljust(rng.integers(len(text), 17)).rjust(17))
    value, sound = numbers(block(*rows))
    assert sound.all()
    np.testing.assert_array_equal(value, [float(one) for one in rows])


def test_what_is_no_number_is_told_from_a_blank():
    """Letters, two points, gaps and signs within are unsound; blanks are sound and give NaN."""
    value, sound = numbers(
        block(
            " 1.5 ",
            "+2   ",
            "-.25 ",
            "7.   ",
            "     ",
            "1 5  ",
            "1.2.3",
            "1-5  ",
            "  x  ",
            "  .  ",
            "  -  ",
        )
    )
    np.testing.assert_array_equal(value[:4], [1.5, 2.0, -0.25, 7.0])
    assert sound.tolist() == [True] * 5 + [False] * 6
    assert np.isnan(value[4:]).all()


@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
@pytest.mark.parametrize("packed", [False, True])
def test_rows_come_whole_whatever_the_pieces(tmp_path, monkeypatch, end, packed):
    """Rows that the end of a piece cuts are whole, short ones are filled, lines are counted."""
    monkeypatch.setattr(fixed_columns, "_READ_BYTES", 64)
    lines = [f"row {k} ".encode() + b"x" * (k % 30) for k in range(200)]
    data = end.join(lines)  # the last row has no end
    path = tmp_path / "rows"
    path.write_bytes(gzip.compress(data) if packed else data)
    got, line = [], 1
    for rows in rows_of(path, 20):
        assert rows.first_line == line
        line += rows.length.size
        got += [bytes(one) for one in rows.text]
        assert rows.text.shape[1] == 20
    assert got == [one[:20].ljust(20) for one in lines]


def test_damaged_compression_is_one_sentence(tmp_path):
    """A gzip file that breaks off is refused with its name."""
    path = tmp_path / "broken.gz"
    path.write_bytes(gzip.compress(b"row\n" * 10000)[:-20])
    with pytest.raises(UserError, match=r"broken.gz: the file of elements cannot be read"):
        list(rows_of(path, 10))
    with pytest.raises(UserError, match="cannot be read"):
        list(rows_of(tmp_path / "missing", 10))


def test_texts_lose_their_blanks():
    """Columns of text come without blanks at their ends, or with them on demand."""
    assert texts(block("ab  ", " c d")).tolist() == [b"ab", b"c d"]
    assert texts(block("ab  ", " c d"), strip=False).tolist() == [b"ab  ", b" c d"]
