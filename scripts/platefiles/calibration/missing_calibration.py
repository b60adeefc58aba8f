"""Messages on lights without matching calibration frames, with remedies."""

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from platefiles.calibration.compatibility import Fit
from platefiles.frames.frame import Frame

if TYPE_CHECKING:
    from platefiles.config.project import LoadedProject

_FAR_C = 10.0
_FAR = 0.2
FRAMES = {"bias": "bias frames", "dark": "darks", "flat": "flats"}


@dataclass(frozen=True)
class Shortfall:
    """A light without a fitting frame of a kind that the project has."""

    kind: str
    light: Frame
    nearest: Fit
    has_bias: bool
    """Whether the nearest is freed of its bias, so that it could be scaled."""


def sentences(shortfalls: Sequence[Shortfall], loaded: "LoadedProject") -> list[str]:
    """Return one sentence for each group of lights: the missing frames and the remedies."""
    groups: dict[tuple[str, ...], list[Shortfall]] = defaultdict(list)
    for short in shortfalls:
        key = short.kind, short.light.channel, _light(short), short.nearest.pool.name
        groups[key].append(short)
    return [_sentence(group, loaded) for group in groups.values()]


def lights(frames: Sequence[Frame]) -> str:
    """Count lights: `1 light`, `4 lights`."""
    return counted_lights(len(frames))


def counted_lights(count: int) -> str:
    """Write a number of lights: `1 light`, `4 lights`."""
    return f"{count} light{'' if count == 1 else 's'}"


def seconds(value: float) -> str:
    """Format an exposure: `600 s`, `53.9 s`."""
    return f"{value:.0f} s" if value >= 100 or value == int(value) else f"{value:.3g} s"


def degrees(value: float | None) -> str:
    """Write a temperature to the degree."""
    return "unknown temperature" if value is None else f"{round(value)} C"


def listed(words: Sequence[str]) -> str:
    """Join words: `a, b and c`."""
    return f"{', '.join(words[:-1])} and {words[-1]}" if len(words) > 1 else "".join(words)


def _sentence(group: Sequence[Shortfall], loaded: "LoadedProject") -> str:
    from platefiles.config.yaml_file import shown  # only needed where something is wrong

    short = group[0]
    kind, channel = short.kind, short.light.channel
    first = min(s.light.name for s in group)
    count = lights([s.light for s in group])
    has = "has" if len(group) == 1 else "have"
    what = "bias" if kind == "bias" else kind
    remedies = [*_remedies(short, loaded)]
    remedies.append(f"set `channels: {channel}: {kind}: none` in {shown(loaded.path)}")
    return (
        f"{count} of channel '{channel}' ({_light(short)}; first: {first}) {has} no {what}: "
        f"{miss(short)}; {', '.join(remedies[:-1])}, or {remedies[-1]} to go on without."
    )


def _light(short: Shortfall) -> str:
    light, wrong = short.light, short.nearest.wrong
    words = [seconds(light.exposure_s)]
    if light.gain is not None or "gain" in wrong:
        words.append(f"gain {_number(light.gain)}")
    if light.temperature_c is not None and short.kind != "flat":
        words.append(degrees(light.temperature_c))
    words += [
        _value(light, name) for name in ("offset", "binning", "size", "camera") if name in wrong
    ]
    return ", ".join(words)


def miss(short: Shortfall) -> str:
    """Describe the nearest miss and its size."""
    fit, pool = short.nearest, short.nearest.pool
    sample = pool.frames[0]
    if "channel" in fit.wrong:
        return f"there are only flats of other channels, such as '{pool.channel}'"
    words = [_value(sample, name) for name in fit.wrong if name not in ("temperature", "exposure")]
    if short.kind == "dark":
        words.insert(0, _at(seconds(pool.exposure_s), pool.temperature_c))
    elif short.kind == "bias":
        words.insert(0, _at("", pool.temperature_c))
    else:
        words.insert(0, f"of {pool.night}" if pool.night else "")
    how_much = []
    if "exposure" in fit.wrong:
        more = pool.exposure_s - short.light.exposure_s
        how_much.append(f"{seconds(abs(more))} too {'long' if more > 0 else 'short'}")
    if "temperature" in fit.wrong:
        word = "warm" if fit.warmer_c > 0 else "cold"
        how_much.append(f"{abs(fit.warmer_c):.1f} C too {word}")
    described = f"the nearest is {' with '.join(w for w in [words[0], listed(words[1:])] if w)}"
    return described + (f", {listed(how_much)}" if how_much else "")


def _remedies(short: Shortfall, loaded: "LoadedProject") -> Iterable[str]:
    """Yield the remedies other than omitting the correction."""
    kind, light, wrong = short.kind, short.light, short.nearest.wrong
    calibration = loaded.recipe.calibration
    like = [seconds(light.exposure_s)] if kind == "dark" else []
    if kind == "flat":
        like.append(f"channel '{light.channel}'")
    elif light.temperature_c is not None and "temperature" in wrong:
        like.append(degrees(light.temperature_c))
    like += [
        _value(light, name) for name in wrong if name not in ("temperature", "exposure", "channel")
    ]
    yield f"add {FRAMES[kind]} of {listed(like)}" if like else f"add {FRAMES[kind]}"
    off = abs(short.nearest.warmer_c)
    if wrong == ("temperature",) and off <= _FAR_C:
        enough = math.ceil(off - 1e-6)
        yield f"widen `overrides: calibration: temperature_tolerance_c` to {enough}"
    if wrong == ("exposure",):
        off = abs(1 / short.nearest.scale - 1)
        if off <= _FAR:
            fraction = math.ceil(off * 100 - 1e-6) / 100
            yield f"widen `overrides: calibration: exposure_tolerance` to {fraction:g}"
        elif not short.has_bias:
            yield "add bias frames for these darks, without which they cannot be scaled"
        elif not calibration.scale_darks:
            yield "allow `overrides: calibration: scale_darks: true`"


def _value(frame: Frame, name: str) -> str:
    """Name one part of a camera setting."""
    if name == "size":
        return f"{frame.width_px}x{frame.height_px} px"
    if name == "camera":
        return f"camera {frame.camera or 'unknown'}"
    if name == "binning":
        return f"binning {frame.binning}"
    return f"{name} {_number(getattr(frame, name))}"


def _number(value: float | None) -> str:
    return "unknown" if value is None else f"{value:g}"


def _at(exposure: str, temperature_c: float | None) -> str:
    return f"{exposure} at {degrees(temperature_c)}".strip()
