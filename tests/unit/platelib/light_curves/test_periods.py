import numpy as np
import pytest

from platelib.light_curves.periods import find_period


def _times(rng, nights=8, subs=40):
    night = np.cumsum(rng.integers(1, 4, nights)) + rng.uniform(-0.05, 0.05, nights)
    return np.sort((2461000.6 + night[:, None] + np.arange(subs) * 0.006).ravel())


def _series(seed, period, amplitude, overtone=0.0, sigma=0.01):
    rng = np.random.default_rng(seed)
    time = _times(rng)
    phase = 2 * np.pi * (time - time[0]) / period + rng.uniform(0, 6)
    change = 0.5 * amplitude * (np.sin(phase) + overtone * np.sin(2 * phase + 1))
    relative = 10 ** (-0.4 * change) + rng.normal(0, sigma, len(time))
    return time, relative, np.full(len(time), sigma)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("period", [0.0571, 0.21, 0.63, 2.3])
def test_periods_amplitudes_and_errors(seed, period):
    """A sine of 60 mmag at 10 mmag of noise: period within 5 errors, amplitude within 5 errors."""
    time, relative, error = _series(seed, period, 0.06)
    found = find_period(time, relative, error)
    assert abs(found.period_d - period) < 5 * found.error_d
    assert found.error_d < 0.02 * period
    assert abs(found.amplitude_mag - 0.06) < 5 * found.amplitude_error_mag
    assert found.false_alarm < 1e-10
    assert found.terms == 1


def test_errors_of_periods_are_honest():
    """Over 20 series the deviations over their errors have a scatter of 0.6 to 1.5."""
    pulls = []
    for seed in range(20):
        time, relative, error = _series(100 + seed, 0.21, 0.05)
        found = find_period(time, relative, error)
        pulls.append((found.period_d - 0.21) / found.error_d)
    assert 0.6 < np.std(pulls) < 1.5


def test_two_unlike_minima_double_the_period():
    """A curve with two maxima, whose minima differ, gets its whole period and two harmonics."""
    rng = np.random.default_rng(5)
    time = _times(rng, nights=12)
    phase = 2 * np.pi * time / 0.347
    change = 0.15 * np.cos(2 * phase) + 0.04 * np.cos(phase)
    relative = 10 ** (-0.4 * change) + rng.normal(0, 0.01, len(time))
    found = find_period(time, relative, np.full(len(time), 0.01))
    assert found.terms == 2
    assert found.period_d == pytest.approx(0.347, rel=1e-3)


def test_daily_aliases_are_named():
    """Nights at the same hour leave the alias at one cycle a day, which the result names."""
    time, relative, error = _series(3, 0.3, 0.04)
    early = np.arange(len(time)) % 40 < 12
    found = find_period(time[early], relative[early], error[early])
    names = {alias.name: alias.period_d for alias in found.aliases}
    assert names["f - 1/d"] == pytest.approx(1 / (1 / 0.3 - 1.00274), rel=0.02)
    assert found.period_d == pytest.approx(0.3, rel=0.01)
    assert all(0.8 <= alias.power <= 1.001 for alias in found.aliases)


def test_noise_has_no_significant_period():
    """Noise alone has false-alarm probabilities that are not small, by Baluev and by bootstrap."""
    time, relative, error = _series(9, 0.3, 0.0)
    assert find_period(time, relative, error).false_alarm > 0.01
    few = slice(None, None, 8)
    assert find_period(time[few], relative[few], error[few], 1, 0.2).false_alarm > 0.01


def test_bootstrap_is_seeded():
    """The same seed gives the same probability."""
    time, relative, error = _series(9, 0.3, 0.012)
    few = slice(None, None, 8)
    one, other = (find_period(time[few], relative[few], error[few], 4, 0.2) for _ in range(2))
    assert one.false_alarm == other.false_alarm


def test_few_measurements_give_no_period():
    """Fewer than 8 measurements, or none apart in time, give None."""
    time, relative, error = _series(1, 0.3, 0.1)
    relative = relative.copy()
    relative[7:] = np.nan
    assert find_period(time, relative, error) is None
    same = np.full(20, 2461000.5)
    assert find_period(same, np.ones(20), np.full(20, 0.01)) is None
