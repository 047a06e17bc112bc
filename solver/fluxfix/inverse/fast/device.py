"""The fast form on a device with many threads: every reading in one thread, everything in one kernel.

Sums of products are written out, the coefficients being constants of the program, so that nothing but readings and
fixes passes through memory. For rigs of two joints that turn less than fully, of which one sensor reads x, y and z.
Steps are of a fixed number, which suits threads that run in step; where they do not reach rest the status says so.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

import jax
import numpy as np
from jax import Array
from jax import numpy as jnp
from numpy.polynomial import chebyshev
from numpy.typing import NDArray

from fluxfix.inverse.fast.device_constants import Constants
from fluxfix.inverse.integrity import OUTSIDE_SD
from fluxfix.inverse.least_squares import AT_REST
from fluxfix.status import Status

Floats = NDArray[np.float64]
_NOTHING: tuple[Array, ...] = ()
Kernel = Callable[[tuple[Array, Array, Array]], tuple[Array, ...]]


def kernel(by: Constants, *, steps: int, whole: bool) -> Kernel:
    """A function from x, y, z in mT, (n,) each, to positions (n,) of both joints.

    One compiled function a step: fused any further, XLA would write out a step in every place that uses what it gives.

    Args:
        by: the constants.
        steps: at least 2; the last one keeps the slopes of the one before, unless all of a fix is wanted.
        whole: also the covariance's lower triangle (three arrays), misfit and status. dof is 1; `other` is NaN.
    """
    begin, step, again, describe = (jax.jit(partial(part, by)) for part in (_start, _step, _again, _describe))

    def solve(readings: tuple[Array, Array, Array]) -> tuple[Array, ...]:
        position, kept = begin(readings), _NOTHING
        for _ in range(steps - 1):
            position, kept = step(readings, position)
        found: tuple[Array, ...] = describe(readings, position) if whole else again(readings, position, kept)
        return found

    return solve


def whole_kernel(by: Constants, *, steps: int, whole: bool, block: int = 128, interpret: bool = False) -> Kernel:
    """The same as `kernel`, from readings to fixes in one kernel that is written for the device itself (Pallas).

    Args:
        by: the constants.
        steps: as for `kernel`.
        whole: likewise.
        block: readings that a group of threads works on; n must be a multiple of it.
        interpret: run it without such a device, slowly, to test it.
    """
    from jax.experimental import pallas  # noqa: PLC0415 experimental, and slow to load

    numbers = 6 if whole else 2

    def body(*parts: Any) -> None:
        x, y, z = (part[...] for part in parts[:3])
        position, kept = _start(by, (x, y, z)), _NOTHING
        for _ in range(steps - 1):
            position, kept = _step(by, (x, y, z), position)
        found = _describe(by, (x, y, z), position) if whole else _again(by, (x, y, z), position, kept)
        for part, value in zip(parts[3:], found, strict=True):
            part[...] = value

    @jax.jit
    def solve(readings: tuple[Array, Array, Array]) -> tuple[Array, ...]:
        n = readings[0].shape[0]
        spec = pallas.BlockSpec((block,), lambda i: (i,))
        shapes = [jax.ShapeDtypeStruct((n,), jnp.float64)] * numbers  # type: ignore[no-untyped-call]
        shapes += [jax.ShapeDtypeStruct((n,), jnp.int32)] * whole  # type: ignore[no-untyped-call]
        called = pallas.pallas_call(
            body,
            grid=(n // block,),
            in_specs=[spec] * 3,
            out_specs=[spec] * len(shapes),
            out_shape=shapes,
            interpret=interpret,
            **_for_device(interpret),
        )
        return tuple(called(*readings))

    return solve


def _for_device(interpret: bool) -> dict[str, Any]:
    if interpret:
        return {}
    from jax.experimental.pallas import triton  # noqa: PLC0415 there on machines with such a device

    return {"compiler_params": triton.CompilerParams(num_warps=4, num_stages=1)}


def outputs(whole: bool) -> int:
    """Bytes that are written for a fix."""
    return 8 * (2 + (4 if whole else 0)) + (4 if whole else 0)


def operations(by: Constants, *, steps: int, whole: bool) -> int:
    """Additions and multiplications of a fix in the sums of products alone, from the size of the form."""
    t1, t2, v = (int(size) for size in by.coefficients.shape)
    with_slopes = 2 * v * (2 * t1 * t2 + 3 * t1)
    values = 2 * v * (t1 * t2 + t1)
    start = 5 * int(by.products.shape[1])
    return start + with_slopes * (steps - 1) + (with_slopes if whole else values)


_Pair = tuple[Array, Array]


def _start(by: Constants, readings: tuple[Array, Array, Array]) -> _Pair:
    inverse = 1.0 / jnp.sqrt(sum((value * value for value in readings[1:]), readings[0] * readings[0]))
    features = []
    for mix, centre in zip(by.mix, by.centre, strict=True):
        terms = [float(m) * value for m, value in zip(mix, readings, strict=True)]
        along = terms[0] + terms[1] + terms[2]
        features.append(jnp.minimum(jnp.maximum(along * inverse - float(centre), -1.25), 1.25))
    monomials = [jnp.ones_like(inverse)]
    for parent, variable in by.products.T[1:]:
        monomials.append(monomials[parent] * features[variable])
    first, second = (
        sum(
            (float(c) * one for c, one in zip(by.start[1:, k], monomials[1:], strict=True)),
            float(by.start[0, k]) + 0.0 * inverse,
        )
        for k in range(2)
    )
    return _inside(by, (first, second), (jnp.zeros_like(first),) * 2)


def _parts(by: Constants, position: _Pair) -> _Pair:
    """Positions as −1 … 1 over the searched range."""
    first, second = (
        (q - float(0.5 * (low + high))) * float(2.0 / (high - low))
        for q, low, high in zip(position, by.lowest, by.highest, strict=True)
    )
    return first, second


def _sums(powers: Floats, x: Array, y: Array, *, slopes: bool) -> list[list[Array]]:
    """For each value: itself and, where wanted, its slope along both parts.

    By Horner's rule, in which every intermediate number has one or two uses: functions that all sums share would be
    copied into each of them by the compiler, and each into the next.
    """
    zero, found = jnp.zeros_like(x), []
    for v in range(powers.shape[-1]):
        value = along = across = zero
        for row in powers[::-1, :, v]:
            inner, slope = zero, zero
            for c in row[::-1]:
                slope = slope * y + inner
                inner = inner * y + float(c)
            along = along * x + value
            value = value * x + inner
            across = across * x + slope
        found.append([value, along, across] if slopes else [value])
    return found


def _powers(by: Constants) -> Floats:
    """The coefficients of powers in place of Chebyshev polynomials: 15 terms cost four of sixteen digits."""
    found = by.coefficients
    for k in range(2):
        matrix = np.zeros((found.shape[k],) * 2)
        for i in range(found.shape[k]):
            matrix[: i + 1, i] = chebyshev.cheb2poly(np.eye(found.shape[k])[i, : i + 1])
        found = np.moveaxis(np.tensordot(matrix, found, axes=(1, k)), 0, k)
    return np.asarray(found)


def _problem(by: Constants, readings: tuple[Array, ...], position: _Pair) -> tuple[list[list[Array]], list[Array]]:
    found = _sums(_powers(by), *_parts(by, position), slopes=True)
    rate = [float(2.0 / (high - low)) for low, high in zip(by.lowest, by.highest, strict=True)]
    slopes = [[one[1] * rate[0], one[2] * rate[1]] for one in found]
    return slopes, [value - one[0] for value, one in zip(readings, found, strict=True)]


def _step(by: Constants, readings: tuple[Array, ...], position: _Pair) -> tuple[_Pair, tuple[Array, ...]]:
    """One step, and what the next one may keep of it: the inverse matrix and the slopes."""
    slopes, miss = _problem(by, readings, position)
    moved, _, covariance = _solved(by, slopes, miss)
    return _inside(by, position, moved), (*covariance, *(part for pair in slopes for part in pair))


def _again(by: Constants, readings: tuple[Array, ...], position: _Pair, kept: tuple[Array, ...]) -> _Pair:
    """One step with what was kept of the one before."""
    expected = _sums(_powers(by), *_parts(by, position), slopes=False)
    miss = [value - found[0] for value, found in zip(readings, expected, strict=True)]
    slopes = [[kept[3 + 2 * v], kept[4 + 2 * v]] for v in range(3)]
    return _inside(by, position, _moved(by, slopes, miss, kept[:3])[0])


def _describe(by: Constants, readings: tuple[Array, ...], position: _Pair) -> tuple[Array, ...]:
    """The last step, with all of a fix: positions, covariance, misfit and status."""
    slopes, miss = _problem(by, readings, position)
    moved, decrement, covariance = _solved(by, slopes, miss)
    final = _inside(by, position, moved)
    misfit = jnp.maximum(_weighed(by, miss, miss) - decrement, 0.0)
    return (*final, *covariance, misfit, _status(by, readings, final, covariance, misfit, decrement))


def _solved(
    by: Constants, slopes: list[list[Array]], miss: list[Array]
) -> tuple[_Pair, Array, tuple[Array, Array, Array]]:
    """The step, its square in sd, and the inverse of the matrix as a lower triangle."""
    one, two = ([pair[k] for pair in slopes] for k in range(2))
    a, b, c = _weighed(by, one, one), _weighed(by, one, two), _weighed(by, two, two)
    inverse = 1.0 / (a * c - b * b)
    covariance = (c * inverse, -b * inverse, a * inverse)
    return *_moved(by, slopes, miss, covariance), covariance


def _moved(
    by: Constants, slopes: list[list[Array]], miss: list[Array], covariance: tuple[Array, ...]
) -> tuple[_Pair, Array]:
    g, h = (_weighed(by, [pair[k] for pair in slopes], miss) for k in range(2))
    step = (covariance[0] * g + covariance[1] * h, covariance[1] * g + covariance[2] * h)
    return step, step[0] * g + step[1] * h


def _weighed(by: Constants, a: list[Array], b: list[Array]) -> Array:
    parts = [float(w) * x * y for w, x, y in zip(by.weights, a, b, strict=True)]
    return parts[0] + parts[1] + parts[2]


def _inside(by: Constants, position: _Pair, step: _Pair) -> _Pair:
    first, second = (
        jnp.minimum(jnp.maximum(q + p, float(low)), float(high))
        for q, p, low, high in zip(position, step, by.lowest, by.highest, strict=True)
    )
    return first, second


def _status(
    by: Constants,
    readings: tuple[Array, ...],
    position: _Pair,
    covariance: tuple[Array, Array, Array],
    misfit: Array,
    decrement: Array,
) -> Array:
    def flag(which: Status, where: Array) -> Array:
        return jnp.where(where, jnp.int32(which), jnp.int32(0))

    status = flag(Status.NOT_CONVERGED, ~(decrement < AT_REST * jnp.maximum(misfit, 1.0)))
    status |= flag(Status.POOR_MATCH, misfit > float(by.misfit))
    squared = sum((value * value for value in readings[1:]), readings[0] * readings[0])
    status |= flag(Status.WEAK_FIELD, squared < float(by.magnitude_mT[0]) ** 2)
    status |= flag(Status.STRONG_FIELD, squared > float(by.magnitude_mT[1]) ** 2)
    for value, low, high in zip(readings, *by.saturated_mT, strict=True):
        status |= flag(Status.SATURATED, (value < float(low)) | (value > float(high)))
        status |= flag(Status.NOT_MEASURED, jnp.isnan(value))
    for k, variance in enumerate((covariance[0], covariance[2])):
        beyond = jnp.maximum(float(by.low[k]) - position[k], position[k] - float(by.high[k]))
        outside = (beyond > 0.0) & (beyond * beyond > OUTSIDE_SD**2 * variance)
        status |= flag(Status.OUTSIDE_TRAVEL, outside)
    return status
