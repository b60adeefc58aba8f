from map_channels import map_channels

from platefiles.fits.products_io import read_header
from platefiles.fits.tables import read_columns, rows_of
from platefiles.integration.channel_subs import SUB_COLUMNS
from platefiles.integration.sub_rows import read_sub_rows
from platefiles.settings.colour import Colour


def test_a_cube_lists_the_subs_of_its_channels(bench, tmp_path):
    """Each sub of a mapped channel is a row, with all that its channel says of it."""
    channels = {name: bench.make_channel(name) for name in ("ha", "g", "b")}
    cube = tmp_path / "cube.fits"
    mapping = {"luminance": {"g": 1.0, "b": 1.0}}
    map_channels(channels, cube, mapping, Colour(), [("STEP", "map_channels")])
    found = rows_of(read_columns(cube, "SUBS"))
    wanted = [
        {"channel": name} | row
        for name in ("g", "b")
        for row in rows_of(read_columns(channels[name], "INPUTS"))
    ]
    assert len(found) == 16
    assert found == [{column: row[column] for column in SUB_COLUMNS} for row in wanted]
    comments = [read_header(cube, "SUBS")[f"TCOMM{n}"] for n in range(1, len(SUB_COLUMNS) + 1)]
    assert comments == list(SUB_COLUMNS.values())


def test_each_product_tells_the_subs_as_far_as_it_knows_them(bench, tmp_path):
    """Measures know no weight, a registration no clipping, a channel everything."""
    channel, night = "b", "2026-03-23"
    measured = read_sub_rows(bench.make_measures(channel, night))
    registered = read_sub_rows(bench.make_registration(channel))
    integrated = read_sub_rows(bench.make_channel(channel))
    assert {row.state for row in measured} == {"measured"}
    assert all(row.weight != row.weight for row in measured)
    assert [row.weight for row in registered] == [row.weight for row in integrated]
    assert all(row.clipped_low != row.clipped_low for row in registered)
    assert [row.id for row in integrated] == [sub.id for sub in bench.plan.lights(channel)]
    trailed = integrated[2]
    assert (trailed.channel, trailed.state, trailed.weight) == ("b", "elongated", 0.0)
    assert read_sub_rows(bench.make_master(next(iter(bench.plan.masters)))) == []
