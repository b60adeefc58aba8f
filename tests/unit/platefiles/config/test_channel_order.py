from itertools import permutations
from types import SimpleNamespace

from platefiles.config.channel_order import in_order


def channels(**filters):
    """Describe channels, each with a filter or several."""
    return {name: SimpleNamespace(filters=value.split()) for name, value in filters.items()}


def test_channels_stand_in_the_order_of_the_trade():
    """Luminance, red, green, blue, lines, other bands, and unknown filters last."""
    known = channels(q="Quad", sii="SII", v="V", b="Blue", ha="H-alpha", l="L", r="R", g="G")
    assert in_order(known) == ["l", "r", "g", "b", "ha", "sii", "v", "q"]


def test_order_of_keys_does_not_count():
    """However the channels are written down, and also where filters are alike, the order is one."""
    known = channels(a="Ha OIII", b="Ha", c="X", d="Y")
    orders = {tuple(in_order(dict(turned))) for turned in permutations(known.items())}
    assert orders == {("a", "b", "c", "d")}
