from argparse import Namespace

import pytest

from platecli.verbs import depth
from platefiles.core.errors import UserError

NAN = float("nan")
ROW = {
    "channel": "r",
    "zero_point_mag": NAN,
    "calibrated": False,
    "limit_mag": -2.5,
    "injected_limit_mag": NAN,
    "expected_limit_mag": NAN,
    "surface_snr": NAN,
    "surface_limit_mag": NAN,
    "subs": 12,
    "exposure_s": 7200.0,
    "hours_for_02_mag": 0.89,
    "hours_for_05_mag": 3.02,
    "hours_to_balance": NAN,
    "shortest_sub_s": NAN,
    "shortest_dark_sub_s": NAN,
    "read_noise_share": NAN,
    "note": "no zero point: magnitudes are instrumental",
}
NIGHTS = [
    {
        "channel": "r",
        "night": "2026-01-01",
        "exposure_s": 3600.0,
        "limit_mag": -2.9,
        "gain_mag": NAN,
    },
    {
        "channel": "r",
        "night": "2026-01-02",
        "exposure_s": 3600.0,
        "limit_mag": -2.5,
        "gain_mag": 0.4,
    },
]


def test_what_is_not_known_is_left_out():
    """Without zero point, gain and other channels the lines say less, and never 'nan'."""
    lines = list(depth.depth_lines([ROW], NIGHTS, 25.0))
    assert lines == [
        "  r: limit -2.50 mag instrumental, 2 h 0 min in 12 subs",
        "    nights: 2026-01-01 -2.90 (1 h 0 min); 2026-01-02 +0.40 to -2.50 (1 h 0 min)",
        "    more: 0.2 mag takes 53 min, 0.5 mag 3 h 1 min",
        "    note: no zero point: magnitudes are instrumental",
    ]


def test_an_unknown_exposure_is_said_to_be():
    """There are no hours then, and none that more would need."""
    row = ROW | dict.fromkeys(("exposure_s", "hours_for_02_mag", "hours_for_05_mag"), NAN)
    nights = [night | {"exposure_s": NAN} for night in NIGHTS]
    assert list(depth.depth_lines([row], nights, 25.0)) == [
        "  r: limit -2.50 mag instrumental, unknown exposure in 12 subs",
        "    nights: 2026-01-01 -2.90 (unknown exposure); "
        "2026-01-02 +0.40 to -2.50 (unknown exposure)",
        "    note: no zero point: magnitudes are instrumental",
    ]


def test_channel_without_a_limit():
    """A channel of too few stars has no limit, and its note says why."""
    row = ROW | {"limit_mag": NAN, "note": "only 2 stars are bright"}
    lines = list(depth.depth_lines([row], [night | {"limit_mag": NAN} for night in NIGHTS], 25.0))
    assert lines[0] == "  r: no limit, 2 h 0 min in 12 subs"
    assert not any("nan" in line for line in lines)


def test_what_was_not_measured_yet_is_told(write_project, tiny_raw, tmp_path):
    """Without the product the verb names the command that makes it."""
    path = write_project(tmp_path / "projects" / "tiny.yaml", tiny_raw)
    with pytest.raises(UserError, match="--to field"):
        depth.run(Namespace(project=str(path), directory=tmp_path))
