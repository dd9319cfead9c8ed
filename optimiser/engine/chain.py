"""The best path through a chain of steps with one store, and a bound on all paths, by backward induction.

The worth of what is stored is kept as straight pieces, exact but for a little that is always added on top: so what
comes out at the start is a bound on every path, and the path that follows the worth is below it by no more than was
added. Where directions are decided the worth is not concave; it is taken as a row of concave arcs, each of which a
step's concave gain keeps concave (maximal convolution), and the highest counts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit

from optimiser.engine.envelopes import Choices, Planes

TIE = 1e-12
LEAST_ADDED = 1e-10  # [currency]; less would be lost among rounding errors
MOST_PIECES = 1000
ROOM = 16 * MOST_PIECES

# Height, slope over the start and over the end of planes, by choice the first of them, by step the first choice, and
# the most planes of a choice.
Form = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray, np.ndarray, int]


@dataclass(frozen=True)
class Path:
    """A way through all steps.

    Attributes
    ----------
    bound : float
        No path makes more. [currency]
    made : float
        What this one makes, as far as the planes tell. [currency]
    stored : array of shape (steps,)
        Energy stored at the end of each step. [kWh]
    choice : int array of shape (steps,)
        Place of each step's choice.
    """

    bound: float
    made: float
    stored: np.ndarray
    choice: np.ndarray


@dataclass(frozen=True)
class Worth:
    """What is stored when some steps begin is worth to them and to what follows.

    Attributes
    ----------
    curve : array of shape (2, breakpoints)
        Stored energy when the first step begins [kWh], and the most that can be made from there on. [currency]
    kept, first : arrays
        The same after each step, one after the other, and the place of each.
    """

    curve: np.ndarray
    kept: np.ndarray
    first: np.ndarray

    def at(self, stored: float) -> float:
        """The worth of a stored energy. [currency]"""
        return float(np.interp(stored, *self.curve))


@dataclass(frozen=True)
class Followed:
    """A way through some steps.

    Attributes
    ----------
    stored : array of shape (steps,)
        Energy stored at the end of each step. [kWh]
    choice : int array of shape (steps,)
        Place of each step's choice.
    made : float
        What it makes as far as the planes tell. [currency]
    """

    stored: np.ndarray
    choice: np.ndarray
    made: float


def worth_before(
    planes: Planes,
    choices: Choices,
    stored: tuple[np.ndarray, np.ndarray],
    begin: tuple[float, float],
    after: np.ndarray,
    added: float,
) -> Worth:
    """The worth of what is stored before some steps, never too low.

    Parameters
    ----------
    planes : Planes
    choices : Choices
    stored : pair of arrays of shape (steps,)
        Least and most stored at the end of each step. [kWh]
    begin : pair of float
        Least and most stored before the first. [kWh]
    after : array of shape (2, breakpoints)
        Worth of what is stored after the last, from the least to the most.
    added : float
        What may be added to the worth of stored energy in each step so that it has few pieces. [currency]
    """
    most = int(np.diff(planes.first).max())
    form = (planes.height, planes.start, planes.end, planes.first, choices.first, most)
    return Worth(*_backward(form, *stored, begin, np.ascontiguousarray(after), max(added, LEAST_ADDED)))


def follow(choices: Choices, planes: Planes, worth: Worth, start_kwh: float) -> Followed:
    """The path that follows the worth from some stored energy."""
    most = int(np.diff(planes.first).max())
    form = (planes.height, planes.start, planes.end, planes.first, choices.first, most)
    return Followed(*_forward(form, worth.kept, worth.first, start_kwh))


@njit(cache=True, nogil=True)
def _backward(
    form: Form,
    low: np.ndarray,
    high: np.ndarray,
    first_range: tuple[float, float],
    after: np.ndarray,
    added: float,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The worth before all steps, after each (breakpoints, worth), and the place of each step's first."""
    steps = len(low)
    worth, curve, joined = np.empty((2, ROOM)), np.empty((2, ROOM)), np.empty((2, ROOM))
    arc, stack, heights = np.empty((2, ROOM)), np.empty((256, 6)), np.empty(form[5])
    kept = np.empty((2, 32 * steps + ROOM))
    first = np.empty(steps + 1, np.int64)
    count, used = after.shape[1], 0
    _copy(after, 0, count, worth, 0)
    first[steps] = 0
    for step in range(steps - 1, -1, -1):
        if used + count > kept.shape[1]:
            more = np.empty((2, 2 * kept.shape[1]))
            _copy(kept, 0, used, more, 0)
            kept = more
        _copy(worth, 0, count, kept, used)
        used += count
        first[step] = used
        begin = low[step - 1] if step else first_range[0]
        end = high[step - 1] if step else first_range[1]
        total, left = 0, 0
        while left == 0 or left < count - 1:
            right = _end_of_arc(worth, count, left)
            for choice in range(form[4][step], form[4][step + 1]):
                made = _gain(form, choice, worth, left, right, begin, end, added / 3, arc, stack, heights)
                if total == 0:
                    _copy(arc, 0, made, curve, 0)
                    total = made
                    continue
                total = _higher(curve, total, arc, made, joined)
                _copy(joined, 0, total, curve, 0)
                if total > 4 * MOST_PIECES:
                    total = _thinned(curve, total, added, joined)
            left = max(right, left + 1)
        count = _thinned(curve, total, added, joined)
        _copy(curve, 0, count, worth, 0)
    curve, short = np.empty((2, count)), np.empty((2, used))
    _copy(worth, 0, count, curve, 0)
    _copy(kept, 0, used, short, 0)
    return curve, short, first


@njit(cache=True, nogil=True)
def _copy(source: np.ndarray, first: int, count: int, target: np.ndarray, place: int) -> None:
    """Copy some breakpoints; a loop, since slices take seconds to compile."""
    for k in range(count):
        target[0, place + k], target[1, place + k] = source[0, first + k], source[1, first + k]


@njit(cache=True, nogil=True)
def _push(stack: np.ndarray, place: int, values: tuple[float, ...]) -> None:
    """Put one entry on a stack."""
    for k in range(6):
        stack[place, k] = values[k]


@njit(cache=True, nogil=True)
def _end_of_arc(worth: np.ndarray, count: int, left: int) -> int:
    """Where the concave arc that begins at a breakpoint ends."""
    right = min(left + 1, count - 1)
    while right < count - 1 and _slope(worth, right) <= _slope(worth, right - 1) + TIE:
        right += 1
    return right


@njit(cache=True, nogil=True)
def _slope(curve: np.ndarray, place: int) -> float:
    """Slope of the piece that begins at a breakpoint."""
    slope: float = (curve[1, place + 1] - curve[1, place]) / (curve[0, place + 1] - curve[0, place])
    return slope


@njit(cache=True, nogil=True)
def _gain(
    form: Form,
    choice: int,
    worth: np.ndarray,
    left: int,
    right: int,
    begin: float,
    end: float,
    added: float,
    out: np.ndarray,
    stack: np.ndarray,
    heights: np.ndarray,
) -> int:
    """The most of a choice and an arc over every energy that a step may start with, added to by no more than `added`.

    It is concave, so it lies below its tangents: new ones are drawn where two of them meet too high.
    """
    value, slope, _ = _best(form, choice, worth, left, right, begin, heights)
    out[0, 0], out[1, 0] = begin, value
    count = 1
    if end <= begin:
        return count
    last_value, last_slope, _ = _best(form, choice, worth, left, right, end, heights)
    _push(stack, 0, (begin, value, slope, end, last_value, last_slope))
    top = 1
    while top > 0:
        top -= 1
        a, value, slope = stack[top, 0], stack[top, 1], stack[top, 2]
        b, last_value, last_slope = stack[top, 3], stack[top, 4], stack[top, 5]
        width = b - a
        if slope - last_slope > 1e-10:
            meet = min(max((last_value - last_slope * width - value) / (slope - last_slope), 0.0), width)
            above = value + slope * meet
            if (
                above - (value + (last_value - value) * meet / width) > added
                and top < len(stack) - 2
                and count < MOST_PIECES
            ):
                middle, middle_slope, _ = _best(form, choice, worth, left, right, a + meet, heights)
                if above - middle > 0.1 * added and min(meet, width - meet) > 1e-9:
                    _push(stack, top, (a + meet, middle, middle_slope, b, last_value, last_slope))
                    _push(stack, top + 1, (a, value, slope, a + meet, middle, middle_slope))
                    top += 2
                    continue
            if 0 < meet < width:
                out[0, count], out[1, count] = a + meet, above
                count += 1
        out[0, count], out[1, count] = b, last_value
        count += 1
    return count


@njit(cache=True, nogil=True)
def _best(
    form: Form, choice: int, worth: np.ndarray, left: int, right: int, start: float, heights: np.ndarray
) -> tuple[float, float, float]:
    """The most that a choice from a stored energy and an arc after it bring: money, its slope, and where the step ends.

    The slope is that of planes which hold for every stored energy, so it gives a tangent to all that can be made.
    """
    height, of_start, slope = form[0], form[1], form[2]
    first, last = form[3][choice], form[3][choice + 1]
    for k in range(first, last):
        heights[k - first] = height[k] + of_start[k] * start
    low, high = left, right
    while low < high:
        middle = (low + high) // 2
        _, after, _ = _lowest(heights, slope, first, last, worth[0, middle])
        if slope[after] + _slope(worth, middle) > 0:
            low = middle + 1
        else:
            high = middle
    place = worth[0, low]
    before, after, value = _lowest(heights, slope, first, last, place)
    value += worth[1, low]
    if low == left:
        return value, of_start[after], place
    rise = _slope(worth, low - 1)
    if slope[before] + rise >= 0:
        if low == right or slope[before] + _slope(worth, low) <= 0:
            return value, of_start[before], place
        if slope[after] + rise >= 0:
            return value, of_start[after], place
    else:
        # Between two breakpoints: where a plane that still gains meets one that loses.
        _, before, _ = _lowest(heights, slope, first, last, worth[0, low - 1])
        after, _, _ = _lowest(heights, slope, first, last, place)
        for _ in range(last - first):
            place = (heights[after - first] - heights[before - first]) / (slope[before] - slope[after])
            one, _, lowest = _lowest(heights, slope, first, last, place)
            if lowest >= heights[before - first] + slope[before] * place - TIE:
                break
            if slope[one] + rise > 0:
                before = one
            else:
                after = one
        value = heights[before - first] + slope[before] * place
        value += worth[1, low - 1] + rise * (place - worth[0, low - 1])
    share = (-rise - slope[after]) / (slope[before] - slope[after])
    return value, share * of_start[before] + (1 - share) * of_start[after], place


@njit(cache=True, nogil=True)
def _lowest(
    heights: np.ndarray, slope: np.ndarray, first: int, last: int, place: float
) -> tuple[int, int, float]:
    """The lowest planes just before and just after a place, and their value there; planes are by falling slope."""
    value, before, after = np.inf, first, first
    for k in range(first, last):
        here = heights[k - first] + slope[k] * place
        if here < value - TIE:
            value, before, after = here, k, k
        elif here <= value + TIE:
            after = k
    return before, after, value


def higher(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """The higher of two curves over the same span, each of shape (2, breakpoints)."""
    out = np.empty((2, 2 * (one.shape[1] + other.shape[1])))
    if one.shape[1] == 1:
        return np.array([[one[0, 0]], [max(one[1, 0], other[1, 0])]])
    return np.ascontiguousarray(out[:, : _higher(one, one.shape[1], other, other.shape[1], out)])


def thinned(curve: np.ndarray, added: float) -> np.ndarray:
    """A curve with few breakpoints, above it by little more than `added`."""
    spare = np.empty((2, ROOM))
    wide = np.empty((2, max(ROOM, curve.shape[1])))
    wide[:, : curve.shape[1]] = curve
    return np.ascontiguousarray(wide[:, : _thinned(wide, curve.shape[1], added, spare)])


@njit(cache=True, nogil=True)
def _higher(one: np.ndarray, count: int, other: np.ndarray, other_count: int, out: np.ndarray) -> int:
    """The higher of two curves over the same span; how many breakpoints it has."""
    out[0, 0], out[1, 0] = one[0, 0], max(one[1, 0], other[1, 0])
    last, lead = one[0, 0], one[1, 0] - other[1, 0]
    made, i, j = 1, 1, 1
    while i < count and j < other_count:
        here = min(one[0, i], other[0, j])
        mine, its = _at(one, i, here), _at(other, j, here)
        now = mine - its
        if lead * now < 0:
            cross = min(max(last + (here - last) * (lead / (lead - now)), last), here)
            made = _put(out, made, cross, max(_at(one, i, cross), _at(other, j, cross)))
        ends = i == count - 1 and j == other_count - 1
        if ends or (one[0, i] <= here and now >= 0) or (other[0, j] <= here and now <= 0):
            made = _put(out, made, here, max(mine, its))
        last, lead = here, now
        if one[0, i] <= here:
            i += 1
        if other[0, j] <= here:
            j += 1
    return made


@njit(cache=True, nogil=True)
def _put(out: np.ndarray, count: int, place: float, value: float) -> int:
    """One more breakpoint, or the last one raised if it is at the same place."""
    if place <= out[0, count - 1]:
        out[1, count - 1] = max(out[1, count - 1], value)
        return count
    out[0, count], out[1, count] = place, value
    return count + 1


@njit(cache=True, nogil=True)
def _at(curve: np.ndarray, place: int, here: float) -> float:
    """A curve's value on the piece that ends at a breakpoint."""
    value: float = curve[1, place]
    if here != curve[0, place]:
        value = curve[1, place - 1] + _slope(curve, place - 1) * (here - curve[0, place - 1])
    return value


@njit(cache=True, nogil=True)
def _thinned(curve: np.ndarray, count: int, added: float, spare: np.ndarray) -> int:
    """A curve with fewer breakpoints, above it by little more than `added`, or by what it takes to make it short."""
    while True:
        count = _bridged(curve, count, added / 3, spare)
        count = _fewer(spare, count, added / 3, curve)
        if count <= MOST_PIECES:
            return count
        added *= 4


@njit(cache=True, nogil=True)
def _bridged(curve: np.ndarray, count: int, added: float, out: np.ndarray) -> int:
    """A curve with its shallow valleys filled, by no more than `added`; how many breakpoints are left."""
    count = _apart(curve, count)
    stack = np.empty(count, np.int64)
    top = 0
    for new in range(count):
        while top >= 2:
            before, last = stack[top - 2], stack[top - 1]
            rise = (curve[1, new] - curve[1, before]) / (curve[0, new] - curve[0, before])
            deepest = 0.0
            for k in range(before + 1, new):
                depth = curve[1, before] + rise * (curve[0, k] - curve[0, before]) - curve[1, k]
                deepest = max(deepest, depth)
            here = curve[1, before] + rise * (curve[0, last] - curve[0, before]) - curve[1, last]
            if here < 0 or deepest > added:
                break
            top -= 1
        stack[top] = new
        top += 1
    for k in range(top):
        out[0, k], out[1, k] = curve[0, stack[k]], curve[1, stack[k]]
    return top


@njit(cache=True, nogil=True)
def _apart(curve: np.ndarray, count: int) -> int:
    """Join breakpoints that all but coincide, without lowering the curve; how many are left."""
    made = 1
    for k in range(1, count):
        gap = curve[0, k] - curve[0, made - 1]
        if gap >= 1e-9:
            curve[0, made], curve[1, made] = curve[0, k], curve[1, k]
            made += 1
            continue
        value = max(curve[1, made - 1], curve[1, k])
        if k + 1 < count and curve[0, k + 1] > curve[0, k]:
            value = max(value, curve[1, k] - _slope(curve, k) * gap)
        curve[1, made - 1] = value
        if k == count - 1:
            curve[0, made - 1] = curve[0, k]
    return made


@njit(cache=True, nogil=True)
def _fewer(curve: np.ndarray, count: int, added: float, out: np.ndarray) -> int:
    """A curve with fewer pieces on its concave arcs, above it by no more than `added`; how many breakpoints.

    A piece may go where its neighbours, drawn on until they meet, stay that close.
    """
    out[0, 0], out[1, 0] = curve[0, 0], curve[1, 0]
    made, left = 1, 0
    while left < count - 1:
        rise, previous = _slope(curve, left), _slope(curve, left)
        found, place, value = -1, 0.0, 0.0
        for right in range(left + 1, count - 1):
            fall = _slope(curve, right)
            if fall > previous:
                break
            previous = fall
            if rise - fall <= TIE:
                found, place, value = right, curve[0, right], curve[1, right]
                continue
            if right == left + 1:
                continue
            meet = curve[1, right] - fall * curve[0, right] - curve[1, left] + rise * curve[0, left]
            meet /= rise - fall
            at = left + 1
            while at < right and curve[0, at] < meet:
                at += 1
            if curve[1, left] + rise * (meet - curve[0, left]) - _at(curve, at, meet) > added:
                break
            found, place, value = right, meet, curve[1, left] + rise * (meet - curve[0, left])
        if found < 0:
            left += 1
            made = _put(out, made, curve[0, left], curve[1, left])
        else:
            made = _put(out, made, place, value)
            curve[0, found], curve[1, found] = place, value
            left = found
    return made


@njit(cache=True, nogil=True)
def _forward(
    form: Form, kept: np.ndarray, first: np.ndarray, start_kwh: float
) -> tuple[np.ndarray, np.ndarray, float]:
    """The path that follows the worth: stored energy and choice of each step, and what it makes."""
    steps = len(first) - 1
    stored, chosen = np.empty(steps), np.empty(steps, np.int64)
    heights = np.empty(form[5])
    made, start = 0.0, start_kwh
    for step in range(steps):
        worth = np.empty((2, first[step] - first[step + 1]))
        _copy(kept, first[step + 1], worth.shape[1], worth, 0)
        count, best, left = worth.shape[1], -np.inf, 0
        while left == 0 or left < count - 1:
            right = _end_of_arc(worth, count, left)
            for choice in range(form[4][step], form[4][step + 1]):
                value, _, end = _best(form, choice, worth, left, right, start, heights)
                if value > best:
                    best, stored[step], chosen[step] = value, end, choice
            left = max(right, left + 1)
        begin, end = form[3][chosen[step]], form[3][chosen[step] + 1]
        for k in range(begin, end):
            heights[k - begin] = form[0][k] + form[1][k] * start
        made += _lowest(heights, form[2], begin, end, stored[step])[2]
        start = stored[step]
    return stored, chosen, made
