"""Best sum along a rate at each pixel of a tile, in integers of 16 bits.

The statistic of a rate is the sum of flux over variance along its path, divided by the root of the
sum of inverse variances. Here the division is done beforehand, by the inverse variance that is
usual around a pixel. So one addition and one comparison remain for a pixel and a rate, and a path
through masked pixels gets less than its due. `track_fit` finds the exact statistic of candidates.
"""

import numpy as np

from platelib.movers.rate_tree import RateTree, rate_tree
from platelib.numerics import aligned
from platelib.numerics.kernels import kernel, read_only

UNIT = 256
"""Integers that make a statistic of 1."""

MOST_SUB = 8.0
"""Signal-to-noise of a pixel of a sub, either sign, at which it is cut off.

One outlier, such as a cosmic ray, then cannot make a candidate. An object that bright is linked."""

_LOWEST = -32768
_LARGEST = 32767


def best_sums(
    signal: np.ndarray, weight: np.ndarray, usual: np.ndarray, tree: RateTree, block: int
) -> tuple[np.ndarray, np.ndarray]:
    """Find the best sum along a rate, and its rate, at each pixel of a tile.

    Parameters
    ----------
    signal : numpy.ndarray
        ``(n, ny + 2 halo, nx + 2 halo)`` float32: flux divided by its variance, subs in the order
        of time; NaN or a weight of 0 where there are no data.
    weight : numpy.ndarray
        The same shape, float32: inverse variance of the flux.
    usual : numpy.ndarray
        ``(ny + 2 halo, nx + 2 halo)`` float32: usual sum of the weights around a pixel.
    tree : RateTree
        It says the halo.
    block : int
        Number of the block of rates.

    Returns
    -------
    best : numpy.ndarray
        ``(ny, nx)`` int16, in units of `UNIT`; the lowest integer where the block has no rate.
    code : numpy.ndarray
        ``(ny, nx)`` int16: number of the square of two by two rates that holds the best one,
        ``row * side / 2 + column``.
    """
    _, high, wide = signal.shape
    ny, nx = high - 2 * tree.halo, wide - 2 * tree.halo
    best, code = np.full((ny, nx), _LOWEST, np.int16), np.zeros((ny, nx), np.int16)
    places, size = _places(tree, ny, nx)
    work = aligned.empty((size,), np.int16)
    _fill(signal, weight, usual, work)
    shape = tree.first.shape
    plan = (
        *(read_only(part) for part in (tree.first, tree.count, tree.time, tree.size, tree.groups)),
        read_only(tree.minutes),
        read_only(tree.margins()),
        read_only(places),
    )
    limits = (tree.step, tree.least, tree.most + tree.step / 2)
    state = (
        np.zeros(shape, np.int64),  # where the first pixel of the tile is in the sum of a group
        np.zeros(shape, np.int64),  # elements from one row to the next
        np.zeros((2, *shape)),  # mean shift x, y of the subs of a group
        np.zeros((shape[0], 2)),  # rate x, y of the cell of each depth
        np.zeros((shape[0], 3), np.int64),  # its column and row, and how many parts are done
    )
    state[3][0] = tree.blocks[block]
    room = (np.zeros(nx, np.int16), np.zeros((4, 4), np.int64))
    _walk(plan, limits, (tree.halo, high, wide), work, state, room, best, code)
    return best, code


def bytes_of_tile(tree: RateTree, ny: int, nx: int) -> int:
    """Return the memory that `best_sums` takes for a tile, beside its input."""
    return 2 * (_places(tree, ny, nx)[1] + 2 * ny * nx)


def _fill(signal: np.ndarray, weight: np.ndarray, usual: np.ndarray, work: np.ndarray) -> None:
    """Put the maps as integers where the sums expect them: at the beginning."""
    most = np.float32(_LARGEST // len(signal))
    integers = work[: signal.size].reshape(signal.shape)
    for i in range(len(signal)):
        maps = (read_only(plane) for plane in (signal[i], weight[i], usual))
        _put_integers(*maps, most, integers[i])


def _places(tree: RateTree, ny: int, nx: int) -> tuple[np.ndarray, int]:
    """Return where the sum of each depth and group begins, and how many integers there are."""
    places = np.zeros(tree.first.shape, dtype=np.int64)
    size = len(tree.minutes) * (ny + 2 * tree.halo) * (nx + 2 * tree.halo)
    for depth, margin in enumerate(tree.margins()[:-1].tolist()):
        for group in range(int(tree.groups[depth])):
            if tree.count[depth, group] > 1:
                places[depth, group] = size
                size += (ny + 2 * margin) * (nx + 2 * margin)
    return places, size


@kernel
def _put_integers(signal, weight, usual, most, integers):
    ny, nx = signal.shape
    zero, unit, cut = np.float32(0), np.float32(UNIT), np.float32(MOST_SUB)
    one, half = np.float32(1), np.float32(0.5)
    for y in range(ny):
        row, inverse, around, out = signal[y], weight[y], usual[y], integers[y]
        for x in range(nx):
            there = inverse[x] > zero and around[x] > zero and row[x] == row[x]
            b = inverse[x] if there else zero
            a = row[x] if there else zero
            scale = unit / np.sqrt(around[x] if there else one)
            limit = min(cut * np.sqrt(b) * scale, most)
            out[x] = np.int16(np.floor(min(max(a * scale, -limit), limit) + half))


@kernel
def _walk(plan, limits, frame, work, state, room, best, code):
    """Visit all cells of rates, coarse before fine, and form their sums."""
    rates, cells = state[3], state[4]
    last = len(rates) - 2  # the sums of the depth after it are compared and not kept
    _add_subs(plan, frame, work, state, best.shape)
    cells[0, 2] = 0
    depth = 0
    while depth >= 0:
        if depth == last:
            _compare(plan, limits, depth, work, state, room, best, code)
        if depth == last or cells[depth, 2] == 4:
            depth -= 1
            continue
        part = cells[depth, 2]
        cells[depth, 2] += 1
        width = limits[0] * (1 << (last - depth))  # of the parts
        vx = rates[depth, 0] + (part % 2 - 0.5) * width
        vy = rates[depth, 1] + (part // 2 - 0.5) * width
        aside_x, aside_y = max(abs(vx) - width / 2, 0.0), max(abs(vy) - width / 2, 0.0)
        if aside_x * aside_x + aside_y * aside_y > limits[2] * limits[2]:
            continue
        depth += 1
        rates[depth, 0], rates[depth, 1] = vx, vy
        cells[depth, 0] = 2 * cells[depth - 1, 0] + part % 2
        cells[depth, 1] = 2 * cells[depth - 1, 1] + part // 2
        cells[depth, 2] = 0
        _add_groups(plan, depth, work, state, best.shape)


@kernel
def _shift(rate, time, shifted):
    """Return the pixels by which a sum moves on to where its rate is at its mean time."""
    return np.int64(np.floor(rate * time - shifted + 0.5))


@kernel
def _add_subs(plan, frame, work, state, shape):
    """Form the sums of depth 0, of subs."""
    first, count, size, groups, minutes = plan[0], plan[1], plan[3], plan[4], plan[5]
    starts, strides, shifted, rates = state[0], state[1], state[2], state[3]
    halo, high, wide = frame
    margin, places = plan[6][0], plan[7]
    for g in range(groups[0]):
        x, y = 0.0, 0.0
        for k in range(first[0, g], first[0, g] + count[0, g]):
            dx = _shift(rates[0, 0], minutes[k], 0.0)
            dy = _shift(rates[0, 1], minutes[k], 0.0)
            x, y = x + dx, y + dy
            start = (k * high + halo + dy) * wide + halo + dx
            starts[0, g], strides[0, g] = start, wide
            if count[0, g] > 1:
                corner = start - margin * wide - margin
                is_first = k == first[0, g]
                _put_or_add(work, corner, wide, places[0, g], margin, shape, is_first)
        if count[0, g] > 1:
            strides[0, g] = shape[1] + 2 * margin
            starts[0, g] = places[0, g] + margin * strides[0, g] + margin
        shifted[0, 0, g], shifted[1, 0, g] = x / size[0, g], y / size[0, g]


@kernel
def _put_or_add(work, corner, stride, place, margin, shape, is_first):
    wide = shape[1] + 2 * margin
    for y in range(shape[0] + 2 * margin):
        row = work[corner + y * stride : corner + y * stride + wide]
        out = work[place + y * wide : place + (y + 1) * wide]
        for x in range(wide):
            out[x] = row[x] if is_first else np.int16(out[x] + row[x])


@kernel
def _add_groups(plan, depth, work, state, shape):
    """Form the sums of a depth, of one or two groups of the depth before."""
    first, count, time, size, groups = plan[0], plan[1], plan[2], plan[3], plan[4]
    starts, strides, shifted, rates = state[0], state[1], state[2], state[3]
    margin, place = plan[6][depth], plan[7][depth]
    above = depth - 1
    for g in range(groups[depth]):
        one = first[depth, g]
        x, dx = _moved(rates[depth, 0], time[above, one], shifted[0, above, one])
        y, dy = _moved(rates[depth, 1], time[above, one], shifted[1, above, one])
        start = starts[above, one] + dy * strides[above, one] + dx
        if count[depth, g] == 1:
            starts[depth, g], strides[depth, g] = start, strides[above, one]
            shifted[0, depth, g], shifted[1, depth, g] = x, y
            continue
        other = one + 1
        x2, dx = _moved(rates[depth, 0], time[above, other], shifted[0, above, other])
        y2, dy = _moved(rates[depth, 1], time[above, other], shifted[1, above, other])
        start2 = starts[above, other] + dy * strides[above, other] + dx
        stride, stride2 = strides[above, one], strides[above, other]
        corner = start - margin * stride - margin
        corner2 = start2 - margin * stride2 - margin
        wide = shape[1] + 2 * margin
        for row in range(shape[0] + 2 * margin):
            _add_rows(
                work[corner + row * stride : corner + row * stride + wide],
                work[corner2 + row * stride2 : corner2 + row * stride2 + wide],
                work[place[g] + row * wide : place[g] + (row + 1) * wide],
            )
        starts[depth, g], strides[depth, g] = place[g] + margin * wide + margin, wide
        share = size[above, one] / size[depth, g]
        shifted[0, depth, g] = share * x + (1 - share) * x2
        shifted[1, depth, g] = share * y + (1 - share) * y2


@kernel
def _moved(rate, time, shifted):
    """Return the mean shift of a sum after its move, and the move in pixels."""
    move = _shift(rate, time, shifted)
    return shifted + move, move


@kernel
def _add_rows(one, other, total):
    for x in range(total.size):
        total[x] = np.int16(one[x] + other[x])


@kernel
def _compare(plan, limits, depth, work, state, room, best, code):
    """Compare the sums of four rates, of all subs, with the best ones so far."""
    first, count, time = plan[0], plan[1], plan[2]
    starts, strides, shifted, rates = state[0], state[1], state[2], state[3]
    step, least, most = limits
    line, at = room
    one = first[depth + 1, 0]
    other = one + count[depth + 1, 0] - 1  # the same where there is one group, which adds twice
    found = 0
    for part in range(4):
        vx = rates[depth, 0] + (part % 2 - 0.5) * step
        vy = rates[depth, 1] + (part // 2 - 0.5) * step
        reach = vx * vx + vy * vy
        if reach > most * most or reach < least * least:
            continue
        for side, group in enumerate((one, other)):
            dx = _shift(vx, time[depth, group], shifted[0, depth, group])
            dy = _shift(vy, time[depth, group], shifted[1, depth, group])
            at[found, side] = starts[depth, group] + dy * strides[depth, group] + dx
        found += 1
    if found == 0:
        return
    for part in range(found, 4):
        at[part, 0], at[part, 1] = at[0, 0], at[0, 1]
    number = np.int16(state[4][depth, 1] * (1 << depth) + state[4][depth, 0])
    s1, s2, nx = strides[depth, one], strides[depth, other], best.shape[1]
    for y in range(best.shape[0]):
        down, down2 = y * s1, y * s2
        _most_of_four(
            work[at[0, 0] + down : at[0, 0] + down + nx],
            work[at[1, 0] + down : at[1, 0] + down + nx],
            work[at[2, 0] + down : at[2, 0] + down + nx],
            work[at[3, 0] + down : at[3, 0] + down + nx],
            work[at[0, 1] + down2 : at[0, 1] + down2 + nx],
            work[at[1, 1] + down2 : at[1, 1] + down2 + nx],
            work[at[2, 1] + down2 : at[2, 1] + down2 + nx],
            work[at[3, 1] + down2 : at[3, 1] + down2 + nx],
            line,
        )
        _keep_best(line, number, best[y], code[y])


@kernel
def _most_of_four(a0, a1, a2, a3, b0, b1, b2, b3, line):
    for x in range(line.size):
        one = max(np.int16(a0[x] + b0[x]), np.int16(a1[x] + b1[x]))
        other = max(np.int16(a2[x] + b2[x]), np.int16(a3[x] + b3[x]))
        line[x] = max(one, other)


@kernel
def _keep_best(line, number, best, code):
    for x in range(line.size):
        better = line[x] > best[x]
        best[x] = line[x] if better else best[x]
        code[x] = number if better else code[x]


def warm_up() -> None:
    """Compile the kernels of this module."""
    tree = rate_tree(np.array([-2.0, -1.0, 1.0, 2.0]), 1.0, 0.0)
    shape = (4, 3 + 2 * tree.halo, 4 + 2 * tree.halo)
    maps = np.ones(shape, dtype=np.float32)
    best_sums(maps, maps, maps[0], tree, 0)
