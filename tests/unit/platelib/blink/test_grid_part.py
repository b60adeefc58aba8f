"""The part of the grid that frames show."""

import pytest

from platelib.blink.grid_part import GridPart, cut_out, whole_grid


@pytest.mark.parametrize(
    ("shape", "factor", "small"),
    [
        ((3520, 4656), 5, (704, 931)),
        ((240, 320), 1, (240, 320)),
        ((1000, 700), 1, (1000, 700)),
        ((1001, 700), 2, (500, 350)),
    ],
)
def test_the_whole_grid_is_reduced_to_a_width(shape, factor, small):
    """By the smallest whole factor; incomplete squares are left out."""
    part = whole_grid(shape, 1000)
    assert (part.factor, part.shape) == (factor, small)


def test_a_cut_out_lies_around_its_middle_and_ends_at_the_edge():
    """Odd sizes are centred on the pixel."""
    part = cut_out((240, 320), 100.0, 60.0, (41, 21))
    assert (part.columns, part.rows, part.middle) == ((80, 121), (50, 71), (100.0, 60.0))
    edge = cut_out((240, 320), 2.0, 238.0, (41, 21))
    assert (edge.columns, edge.rows) == ((0, 23), (228, 240))
    for x, y in ((-50.0, 60.0), (100.0, 300.0), (float("nan"), 5.0)):
        with pytest.raises(ValueError, match="columns 1 to 320 and rows 1 to 240"):
            cut_out((240, 320), x, y, (41, 21))


def test_a_square_of_the_grid_is_a_pixel_of_a_frame():
    """The middle of the first square is pixel 0."""
    part = GridPart((10, 60), (20, 90), 5)
    assert part.frame_place(22.0, 12.0) == (0.0, 0.0)
    assert part.frame_place(27.0, 22.0) == (1.0, 2.0)
