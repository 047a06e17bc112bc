"""A tensor form: functions of the position as sums of products of one function for each joint."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from fluxfix.inverse.fast.basis import Axis

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Form:
    """Values (v of them) over the searched range of d joints."""

    axes: tuple[Axis, ...]
    coefficients: Floats  # (terms of the first joint, …, terms of the last, v)

    def values(self, positions: Floats) -> Floats:
        """At positions (n, d): (n, v)."""
        first, *others = (axis.functions(column)[0] for axis, column in zip(self.axes, positions.T, strict=True))
        return _summed(np.tensordot(first, self.coefficients, axes=1), others)

    def slopes(self, positions: Floats) -> Floats:
        """Derivatives at positions (n, d): (n, v, d)."""
        first, *others = (axis.functions(column) for axis, column in zip(self.axes, positions.T, strict=True))
        value, slope = (np.tensordot(one, self.coefficients, axes=1) for one in first)
        columns = [
            _summed(value, [one[1] if j == k else one[0] for j, one in enumerate(others)]) for k in range(len(others))
        ]
        return np.stack([_summed(slope, [one[0] for one in others]), *columns], axis=-1)


def nodes(axes: tuple[Axis, ...]) -> Floats:
    """Positions whose values determine a form: (n, d), the last joint runs fastest."""
    return np.stack([part.reshape(-1) for part in np.meshgrid(*(a.nodes() for a in axes), indexing="ij")], axis=-1)


def through(axes: tuple[Axis, ...], at_nodes: Floats) -> Form:
    """The form that has given values at the nodes.

    Args:
        axes: d of them.
        at_nodes: (…, n, v), in the order of `nodes`; leading axes, such as builds, stay in front.
    """
    *before, _, v = at_nodes.shape
    found = at_nodes.reshape(*before, *(axis.terms for axis in axes), v)
    for k, axis in enumerate(axes, start=len(before)):
        found = np.moveaxis(np.tensordot(axis.coefficients(), found, axes=(1, k)), 0, k)
    return Form(axes, np.ascontiguousarray(found))


def fitted(axes: tuple[Axis, ...], exact: Callable[[Floats], Floats]) -> Form:
    """The form through a function from positions (n, d) to values (n, v)."""
    return through(axes, exact(nodes(axes)))


def tails(form: Form) -> list[Floats]:
    """For each joint and each number of terms, what dropping the rest can change at most: (terms + 1,) each."""
    size = np.abs(form.coefficients)
    found = []
    for k, axis in enumerate(form.axes):
        others = tuple(j for j in range(len(form.axes)) if j != k)
        dropped = np.zeros(axis.terms + 1)
        dropped[:-1] = np.max(np.cumsum(np.sum(size, axis=others)[::-1], axis=0)[::-1], axis=-1)
        found.append(dropped)
    return found


def truncated(form: Form, terms: list[int]) -> Form:
    """The form with the first terms of each joint alone."""
    axes = tuple(replace(axis, terms=count) for axis, count in zip(form.axes, terms, strict=True))
    return Form(axes, np.ascontiguousarray(form.coefficients[tuple(slice(count) for count in terms)]))


def checkpoints(axes: tuple[Axis, ...], count: int) -> Floats:
    """Positions off the nodes, denser towards the ends, and the corners: (count + 2 ** d, d).

    An additive sequence of low discrepancy, by powers of a generalised golden ratio. Source: Niederreiter, Random
    Number Generation and Quasi-Monte Carlo Methods, 1992, ch. 3.
    """
    d = len(axes)
    ratio = 2.0
    for _ in range(60):
        ratio = (1.0 + ratio) ** (1.0 / (d + 1.0))
    spread = np.mod(0.5 + np.arange(1, count + 1)[:, None] * ratio ** -np.arange(1.0, d + 1.0), 1.0)
    corners = np.array(np.meshgrid(*([[0.0, 1.0]] * d), indexing="ij")).reshape(d, -1).T
    parts = -np.cos(np.pi * np.concatenate([spread, corners]))
    return np.stack([axis.at(part) for axis, part in zip(axes, parts.T, strict=True)], axis=-1)


def _summed(found: Floats, functions: list[Floats]) -> Floats:
    """(n, t2, …, td, v) and (n, tk) each, to (n, v)."""
    for one in functions:
        found = np.einsum("nt,nt...->n...", one, found)
    return np.asarray(found)
