"""The JAX evaluator of the fast form, for batches without a compiler and for devices: the short way alone.

The same steps as ffx_short.h: a start, two undamped Gauss–Newton steps or a few more, one from the point that the fix
is described at. Which rows it does not hold for is told; they are solved by the whole search.
"""

from __future__ import annotations

from functools import partial
from typing import NamedTuple

import jax
from jax import Array
from jax import numpy as jnp

from fluxfix.inverse import small, start, weight
from fluxfix.inverse.least_squares import AT_REST
from fluxfix.rig.leaf import Leaf

STEPS = 6
"""The most, before the last one."""
NEAR_REST = 1e-4
"""Square of a step in sd below which one more ends the way."""


class Tensors(NamedTuple):
    """A fast model's numbers; what shapes the computation is in `Shape`."""

    coefficients: Leaf  # (t1, …, td, m)
    common: Leaf  # the same with the entries of a lower triangle last; no entries where there is none
    drift: Leaf  # the same of the drift, (t1, …, td, v · m); no entries where nothing varies unmeasured
    lowest: Leaf  # (d,)
    highest: Leaf  # (d,)
    mix: Leaf  # (f, m)
    centre: Leaf  # (f,)
    start: Leaf  # (e, d)
    grid: Leaf  # (g, d)
    grid_mT: Leaf  # (g, m)
    grid_drift_mT: Leaf  # (v, g, m)
    calm: Leaf  # (g,)


class Shape(NamedTuple):
    """What is static: by joint whether it turns fully; how the start is made; points of the grid along a joint."""

    wraps: tuple[bool, ...]
    unit: bool
    products: tuple[tuple[int, int], ...]
    points: int


class Found(NamedTuple):
    """Fixes of n readings; `held` is where they hold."""

    position: list[Array]
    misfit: Array
    noise: list[list[Array]]  # lower triangle
    common: list[list[Array]]  # lower triangle, of what does not average out
    held: Array


def functions(shape: Shape, tensors: Tensors, k: int, terms: int, position: Array) -> tuple[Array, Array]:
    """Functions of one joint and their derivatives at positions (n,): two arrays (terms, n)."""
    one, zero = jnp.ones_like(position), jnp.zeros_like(position)
    # Loops: written out, the compiler takes several times as long.
    if shape.wraps[k]:
        angle = jnp.deg2rad(position)
        c, s = jnp.cos(angle), jnp.sin(angle)

        def turn(at: tuple[Array, Array], order: Array) -> tuple[tuple[Array, Array], tuple[Array, Array]]:
            cosine, sine = at
            rate = order * jnp.pi / 180.0
            found = jnp.stack([cosine, sine]), jnp.stack([-rate * sine, rate * cosine])
            return (cosine * c - sine * s, sine * c + cosine * s), found

        _, (values, slopes) = jax.lax.scan(turn, (c, s), jnp.arange(1.0, terms // 2 + 1))
        found = values.reshape(-1, *one.shape), slopes.reshape(-1, *one.shape)
    else:
        rate = 2.0 / (tensors.highest[k] - tensors.lowest[k])
        x = (position - 0.5 * (tensors.lowest[k] + tensors.highest[k])) * rate

        def rise(
            at: tuple[tuple[Array, Array], tuple[Array, Array]], _: None
        ) -> tuple[tuple[tuple[Array, Array], tuple[Array, Array]], tuple[Array, Array]]:
            (before, slope_before), (now, slope) = at
            then = 2.0 * x * now - before, 2.0 * now + 2.0 * x * slope - slope_before
            return ((now, slope), then), (now, rate * slope)

        _, found = jax.lax.scan(rise, ((one, zero), (x, one)), None, length=terms - 1)
    return jnp.concatenate([one[None], found[0]])[:terms], jnp.concatenate([zero[None], found[1]])[:terms]


def summed(coefficients: Array, parts: list[Array]) -> list[Array]:
    """Sums of products at n positions: (t1, …, td, v) and (tk, n) each, to v arrays (n,)."""
    found = jnp.tensordot(jnp.moveaxis(coefficients, -1, 0), parts[-1], axes=(-1, 0))  # (v, t1, …, n)
    for part in reversed(parts[:-1]):
        found = jnp.sum(found * part, axis=-2)
    return list(found)


@partial(jax.jit, static_argnames="shape")
def solve(shape: Shape, tensors: Tensors, readings: tuple[Array, ...], weights: Array) -> Found:
    """Solve readings, one array (n,) for each of the m values, with weights (m,) in 1/mT²."""
    d = len(shape.wraps)
    position = _start(shape, tensors, readings, weights)
    near = jnp.zeros_like(readings[0], bool)

    def going(carried: tuple[list[Array], Array, Array]) -> Array:
        return (carried[2] < STEPS) & ~jnp.all(carried[1])

    def step(carried: tuple[list[Array], Array, Array]) -> tuple[list[Array], Array, Array]:
        at, rest, count = carried
        problem = _newton(shape, tensors, readings, weights, at)
        moved = _inside(shape, tensors, [q + p for q, p in zip(at, problem.step, strict=True)])
        moved = [jnp.where(rest, old, new) for old, new in zip(at, moved, strict=True)]
        return moved, rest | (problem.decrement < NEAR_REST * jnp.maximum(problem.cost, 1.0)), count + 1

    # Readings that are no numbers never rest, and must not keep the others waiting.
    lost = ~jnp.isfinite(sum(readings[1:], readings[0]))
    position, near, _ = jax.lax.while_loop(going, step, (position, near | lost, jnp.zeros((), int)))
    last = _newton(shape, tensors, readings, weights, position)
    held = near & ~lost & (last.decrement < AT_REST * jnp.maximum(last.cost, 1.0))
    final = [q + p for q, p in zip(position, last.step, strict=True)]
    for k in range(d):
        if not shape.wraps[k]:
            held = held & (tensors.lowest[k] < final[k]) & (final[k] < tensors.highest[k])
    misfit = jnp.maximum(last.cost - last.decrement, 0.0)
    held = held & (misfit < tensors.calm[_nearest(shape, tensors, final)])
    noise, singular = _inverse(last.matrix)
    moved = [[_dot([noise[max(k, j)][min(k, j)] for j in range(d)], one) for k in range(d)] for one in last.drift]
    entries = tensors.common.shape[-1]
    common = [[jnp.zeros_like(misfit) for _ in range(k + 1)] for k in range(d)]
    if entries:
        parts = [functions(shape, tensors, k, tensors.common.shape[k], position[k])[0] for k in range(d)]
        common = _common(noise, last.columns, weights, summed(tensors.common, parts))
    for one in moved:
        noise = [[noise[k][j] - one[k] * one[j] for j in range(k + 1)] for k in range(d)]
        common = [[common[k][j] + one[k] * one[j] for j in range(k + 1)] for k in range(d)]
    return Found(final, misfit, noise, common, held & ~singular)


class _Newton(NamedTuple):
    step: list[Array]
    decrement: Array
    cost: Array
    matrix: list[list[Array]]
    columns: list[list[Array]]  # WJ over the weight of the noise
    drift: list[list[Array]]  # by number that varies, JᵀW times the drift of the readings


def _newton(
    shape: Shape, tensors: Tensors, readings: tuple[Array, ...], weights: Array, position: list[Array]
) -> _Newton:
    d, terms = len(position), tensors.coefficients.shape
    both = [functions(shape, tensors, k, terms[k], position[k]) for k in range(d)]
    expected = summed(tensors.coefficients, [one[0] for one in both])
    columns = [
        summed(tensors.coefficients, [one[1] if j == k else one[0] for j, one in enumerate(both)]) for k in range(d)
    ]
    miss = [value - found for value, found in zip(readings, expected, strict=True)]
    drift, slopes = _drift(shape, tensors, position, len(miss))
    fitted = weight.fit(miss, list(weights), [0] * len(miss), drift)
    columns = weight.columns_with(fitted, columns, slopes)
    gradient = [_dot([one * w for one, w in zip(column, weights, strict=True)], fitted.miss) for column in columns]
    matrix = weight.matrix_with(fitted, columns, drift)
    step = small.solve(small.cholesky(matrix), gradient)
    taken = [small.solve(fitted.factor, one) for one in weight.shared_with(fitted, columns, drift)] if drift else []
    for a, row in enumerate(drift):
        columns = [
            [one - g * by[a] for one, g in zip(column, row, strict=True)]
            for column, by in zip(columns, taken, strict=True)
        ]
    pulls = [[by[a] for by in taken] for a in range(len(drift))]
    return _Newton(step, _dot(step, gradient), fitted.cost, matrix, columns, pulls)


def _drift(
    shape: Shape, tensors: Tensors, position: list[Array], m: int
) -> tuple[list[list[Array]], list[list[list[Array]]]]:
    """How far the readings move with each number that varies, and how far their derivatives by each joint do."""
    d, terms = len(position), tensors.drift.shape
    if not terms[-1]:
        return [], []
    both = [functions(shape, tensors, k, terms[k], position[k]) for k in range(d)]
    values = summed(tensors.drift, [one[0] for one in both])
    slopes = [summed(tensors.drift, [one[1] if j == k else one[0] for j, one in enumerate(both)]) for k in range(d)]
    where = [slice(first, first + m) for first in range(0, terms[-1], m)]
    return [values[one] for one in where], [[column[one] for column in slopes] for one in where]


def _start(shape: Shape, tensors: Tensors, readings: tuple[Array, ...], weights: Array) -> list[Array]:
    d = len(shape.wraps)
    if not shape.products:
        values = jnp.stack(readings, axis=-1)
        misfits = start.misfit(start.StartGrid(tensors.grid, tensors.grid_mT, tensors.grid_drift_mT), values, weights)
        return list(tensors.grid[jnp.argmin(misfits, axis=1)].T)
    scaled = list(readings)
    if shape.unit:
        inverse = 1.0 / jnp.sqrt(_dot(scaled, scaled))
        scaled = [value * inverse for value in scaled]
    features = [
        jnp.clip(_dot(list(tensors.mix[f]), scaled) - tensors.centre[f], -1.25, 1.25)
        for f in range(tensors.mix.shape[0])
    ]
    monomials = [jnp.ones_like(scaled[0])]
    for parent, variable in shape.products[1:]:
        monomials.append(monomials[parent] * features[variable])
    return _inside(shape, tensors, [_dot(list(tensors.start[:, k]), monomials) for k in range(d)])


def _inside(shape: Shape, tensors: Tensors, position: list[Array]) -> list[Array]:
    return [q if shape.wraps[k] else jnp.clip(q, tensors.lowest[k], tensors.highest[k]) for k, q in enumerate(position)]


def _nearest(shape: Shape, tensors: Tensors, position: list[Array]) -> Array:
    index = jnp.zeros_like(position[0], int)
    for k, q in enumerate(position):
        step = (tensors.highest[k] - tensors.lowest[k]) / shape.points
        cell = jnp.floor((q - tensors.grid[0, k]) / step + 0.5)
        cell = jnp.where(jnp.isfinite(cell), cell, 0.0)
        cell = jnp.mod(cell, shape.points) if shape.wraps[k] else jnp.clip(cell, 0, shape.points - 1)
        index = index * shape.points + cell.astype(int)
    return index


def _inverse(matrix: list[list[Array]]) -> tuple[list[list[Array]], Array]:
    d = len(matrix)
    factor = small.cholesky(matrix)
    unit = [[jnp.full_like(matrix[0][0], float(i == k)) for i in range(d)] for k in range(d)]
    columns = [small.solve(factor, right) for right in unit]
    # The determinant of the matrix of unit diagonal: round-off where there is no inverse worth the name.
    determinant = jnp.ones_like(matrix[0][0])
    for k in range(d):
        determinant = determinant * factor[k][k] * factor[k][k] / matrix[k][k]
    return [[columns[j][k] for j in range(k + 1)] for k in range(d)], ~(determinant > 1e-13)


def _common(
    noise: list[list[Array]], columns: list[list[Array]], weights: Array, spread: list[Array]
) -> list[list[Array]]:
    """P S Pᵀ with P = noise · JᵀW, S the lower triangle of what a calibration leaves open."""
    d, m = len(noise), len(columns[0])
    whole = [[noise[max(k, j)][min(k, j)] for j in range(d)] for k in range(d)]
    per_mT = [[weights[i] * _dot(whole[k], [column[i] for column in columns]) for i in range(m)] for k in range(d)]
    entry = [[spread[max(i, j) * (max(i, j) + 1) // 2 + min(i, j)] for j in range(m)] for i in range(m)]
    moved = [[_dot(entry[i], per_mT[k]) for i in range(m)] for k in range(d)]
    return [[_dot(moved[k], per_mT[j]) for j in range(k + 1)] for k in range(d)]


def _dot(a: list[Array], b: list[Array]) -> Array:
    return sum((x * y for x, y in zip(a[1:], b[1:], strict=True)), a[0] * b[0])
