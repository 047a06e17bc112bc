"""Lower bounds of the distance between the readings of two boxes of positions. NumPy.

All is about the polynomial p of `survey_form`; the exact readings' distance is less by at most twice its error. S
scales values (1/sd, or 1). Boxes lie on a regular grid; tables hold, cell by cell of a coarse grid, a bound C_jk of
each second derivative |S d2p/dqj dqk|: the sum of the lengths of its Chebyshev coefficients over the cell.

*Near pairs*, in the mean-value form. The two boxes lie in one box with middle c and half widths R, and p(q) - p(q') =
J~ D, where D = q - q' and J~ is the mean of the Jacobian along the way. With G = S J(c), column k of S J~ - G is at
most e_k = sum over j of C_jk A_j, where A_j is how far the way is from c along joint j, in the mean: at most R_j, and
at most R_j / 2 where the boxes lie on either side of c (from x to -y that mean is (x x + y y) / 2 / (x + y)). Let t_k
be the root of entry kk of (G' G)**-1, so that |D_k| <= t_k |G D| for any D. Then |(S J~ - G) D| <= sum e_k |D_k| <=
(sum e_k t_k) |G D|, and so

    |S (p(q) - p(q'))| >= (1 - sum e_k t_k) max_k |D_k| / t_k.

*Far pairs*, from both middles: p = p(c) + J(c)(q - c) + rest, with |S rest| <= 1/2 sum C_jk R_j R_k. Along any unit
vector n, the distance is at least n . S(p(c) - p(c')) less what the linear parts and the rests can take away; n is
chosen where the linear parts alone come closest.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxfix.inverse.predict import inverse
from fluxfix.study import survey_form
from fluxfix.study.survey_form import Form

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CELLS = {1: 64, 2: 24, 3: 10, 4: 4}
"""Coarse cells along each joint's travel, by number of joints."""
NEAR = 2
"""Boxes that lie at most so many apart along each joint count as near."""
AROUND = NEAR
"""Cells that the domain of a full turn goes on for at either end, so that near pairs across the seam lie inside."""
_WIDER = 1e-6
"""Part of its width that a cell is widened by, so that round-off of an edge does not count."""
_SWEEPS = 4


@dataclass(frozen=True)
class Grid:
    """Boxes on a regular grid over the travel; d joints."""

    low: Floats  # (d,) lower end of the travel
    span: Floats  # (d,)
    wraps: NDArray[np.bool_]  # (d,) readings repeat after a full turn
    counts: Ints  # (d,) boxes along each joint

    @property
    def width(self) -> Floats:
        """Of a box: (d,)."""
        return self.span / self.counts

    def middles(self, boxes: Ints | Floats) -> Floats:
        """Middles of boxes (n, d), in each joint's unit."""
        found: Floats = self.low + (boxes + 0.5) * self.width
        return found

    def nearest(self, boxes: Ints, others: Ints) -> Ints:
        """The other boxes, moved by full turns to where they lie nearest to the boxes."""
        turns = np.round((boxes - others) / self.counts).astype(np.int64)
        return others + np.where(self.wraps, turns * self.counts, 0)


@dataclass(frozen=True)
class Measure:
    """A way to measure the distance of readings: their scaled length, or that over the length of D."""

    scale: Floats  # (m,) by value
    per_length: bool


@dataclass(frozen=True)
class Curvature:
    """Bounds of second derivatives by coarse cells; windows of 1 to 2 NEAR - 1 cells along each joint."""

    low: Floats  # (d,) of the table
    width: Floats  # (d,) of a cell
    windows: dict[tuple[int, ...], Floats]  # (n1, …, nd, d, d): largest over the window that begins at a cell

    def over(self, middle: Floats, half: Floats) -> Floats:
        """Largest bound (n, d, d) over boxes."""
        first = np.floor((middle - half - self.low) / self.width + _WIDER).astype(np.int64)
        last = np.ceil((middle + half - self.low) / self.width - _WIDER).astype(np.int64) - 1
        window = np.maximum(last - first + 1, 1)
        found = np.empty((len(middle), middle.shape[1], middle.shape[1]))
        for size, table in self.windows.items():
            rows = np.flatnonzero(np.all(window == np.array(size), axis=1))
            found[rows] = table[tuple(np.clip(first[rows], 0, np.array(table.shape[:-2]) - 1).T)]
        return found


def curvature(form: Form, grid: Grid, scale: Floats) -> Curvature:
    """The table of second derivatives over the form's domain.

    Args:
        form: whose domain begins AROUND cells before a full turn.
        grid: the coarse grid, of CELLS along each joint.
        scale: (m,) of the measure.
    """
    d = len(grid.low)
    counts = grid.counts + 2 * AROUND * grid.wraps
    degrees = [n - 1 for n in form.coefficients.shape[:-1]]
    cells = [_cells(degree, int(count)) for degree, count in zip(degrees, counts, strict=True)]
    slopes = [survey_form.derivative(degree) / half for degree, half in zip(degrees, form.half, strict=True)]
    table = np.empty((*counts, d, d))
    for j in range(d):
        for k in range(j, d):
            tensor = form.coefficients * scale
            for axis in (j, k):
                tensor = np.moveaxis(np.tensordot(slopes[axis], tensor, axes=(1, axis)), 0, axis)
            table[..., j, k] = table[..., k, j] = _sizes(tensor, cells)
    shapes = np.stack(np.meshgrid(*[np.arange(1, 2 * NEAR)] * d, indexing="ij"), axis=-1).reshape(-1, d)
    windows = {tuple(int(n) for n in size): _largest(table, size) for size in shapes}
    return Curvature(form.low, grid.width, windows)


def _cells(degree: int, count: int) -> Floats:
    """From coefficients over a domain to those over each of its cells: (count, degree + 1, degree + 1)."""
    points, back = survey_form.chebyshev_points(degree), survey_form.to_coefficients(degree)
    middles = (2.0 * np.arange(count) + 1.0) / count - 1.0
    at = middles[:, None] + (1.0 + 4.0 * _WIDER) / count * points
    values, _ = survey_form.basis(degree, at.reshape(-1))
    return back @ values.reshape(count, degree + 1, degree + 1)


def _sizes(tensor: Floats, cells: list[Floats]) -> Floats:
    """Sum of the lengths of a polynomial's coefficients, cell by cell: (n1, …, nd)."""
    if not cells:
        return np.asarray(np.linalg.norm(tensor, axis=-1))
    first = [np.tensordot(cell, tensor, axes=1) for cell in cells[0]]  # one by one: all at once may not fit in memory
    if len(cells) == 1:
        return np.array([np.sum(np.linalg.norm(one, axis=-1)) for one in first])
    return np.stack([_rest(one, cells[1:]) for one in first])


def _rest(tensor: Floats, cells: list[Floats]) -> Floats:
    """The same of the other joints, with a first axis of coefficients that are summed at the end."""
    found = tensor
    for axis, cell in enumerate(cells):
        # axes: coefficients, cells so far, coefficients of this joint, …, values
        found = np.moveaxis(np.tensordot(cell, found, axes=(2, 1 + 2 * axis)), (0, 1), (1 + 2 * axis, 2 + 2 * axis))
    size = np.linalg.norm(found, axis=-1)
    return np.asarray(np.sum(size, axis=tuple(range(0, size.ndim, 2))))


def _largest(table: Floats, window: Ints) -> Floats:
    """Largest over windows that begin at each cell; those that go beyond the end stop there."""
    found = table
    for axis, size in enumerate(window):
        shifted = [found]
        for by in range(1, int(size)):
            index = np.minimum(np.arange(found.shape[axis]) + by, found.shape[axis] - 1)
            shifted.append(np.take(found, index, axis=axis))
        found = np.max(shifted, axis=0)
    return found


@dataclass(frozen=True)
class Bounds:
    """What lower bounds of pairs need."""

    form: Form
    curvature: Curvature
    measure: Measure
    resolution: Floats  # (d,) r, in each joint's unit

    @property
    def error(self) -> float:
        """What the exact readings' distance may be less by."""
        return 2.0 * float(np.linalg.norm(self.measure.scale * self.form.error_mT))

    def lower(self, grid: Grid, boxes: Ints, others: Ints) -> Floats:
        """Lower bound (n,) over all pairs of positions of boxes (n, d) and others (n, d) that lie r or more apart.

        Infinite where there is no such pair.
        """
        moved = grid.nearest(boxes, others)
        apart = np.abs(boxes - moved)
        reachable = (apart + 1) * grid.width >= self.resolution * (1.0 - 1e-12)
        near, far = np.max(apart, axis=1) <= NEAR, np.max(apart, axis=1) >= NEAR
        found = np.zeros(len(boxes))
        if np.any(near):
            found[near] = self._near(grid, boxes[near], moved[near], reachable[near])
        if np.any(far):
            found[far] = np.maximum(found[far], self._far(grid, boxes[far], others[far], apart[far]))
        return np.where(np.any(reachable, axis=1), found, np.inf)

    def _near(self, grid: Grid, boxes: Ints, moved: Ints, reachable: NDArray[np.bool_]) -> Floats:
        sums, index = _unique(boxes + moved)
        middle = grid.middles(np.asarray(0.5 * sums, dtype=np.float64))
        _, slopes = survey_form.evaluate(self.form, middle)
        scaled = self.measure.scale[:, None] * slopes
        information = np.swapaxes(scaled, 1, 2) @ scaled
        t = np.sqrt(np.diagonal(inverse(information), axis1=1, axis2=2))[index]
        apart = np.abs(boxes - moved)
        half = 0.5 * (apart + 1) * grid.width
        away = np.where(apart > 0, 0.5, 1.0) * half
        e = np.einsum("njk,nj->nk", self.curvature.over(middle[index], half), away)
        with np.errstate(invalid="ignore"):
            kept = 1.0 - np.sum(np.where(np.isfinite(t), e * t, np.inf), axis=1)
        kept = np.maximum(np.nan_to_num(kept, nan=0.0), 0.0)
        gap = np.maximum(apart - 1, 0) * grid.width
        if self.measure.per_length:
            weakest = np.sqrt(np.maximum(np.linalg.eigvalsh(information)[:, 0], 0.0))[index]
            shortest = np.maximum(np.linalg.norm(gap, axis=1), np.min(self.resolution))
            return np.asarray(np.maximum(kept * weakest - self.error / shortest, 0.0))
        steps = np.where(reachable, np.maximum(self.resolution, gap) / t, np.inf)
        least = np.min(steps, axis=1)
        least = np.maximum(np.where(np.isfinite(least), least, 0.0), np.max(gap / t, axis=1))
        return np.asarray(np.maximum(kept * least - self.error, 0.0))

    def _far(self, grid: Grid, boxes: Ints, others: Ints, apart: Ints) -> Floats:
        unique, index = _unique(np.concatenate([boxes, others]))
        middle = grid.middles(unique.astype(np.float64))
        values, slopes = survey_form.evaluate(self.form, middle)
        half = np.broadcast_to(0.5 * grid.width, middle.shape)
        curved = self.curvature.over(middle, half)
        rest = 0.5 * np.einsum("njk,nj,nk->n", curved, half, half)
        a, b = index[: len(boxes)], index[len(boxes) :]
        v = self.measure.scale * (values[a] - values[b])
        reach = self.measure.scale[:, None] * slopes * half[:, None, :]
        columns = np.concatenate([reach[a], -reach[b]], axis=2)
        closest = np.maximum(_closest(v, columns) - rest[a] - rest[b] - self.error, 0.0)
        if self.measure.per_length:
            return np.asarray(closest / np.linalg.norm((apart + 1) * grid.width, axis=1))
        return np.asarray(closest)


def _closest(v: Floats, columns: Floats) -> Floats:
    """Lower bound of |v + K z| over |z_j| <= 1: v (n, m), K (n, m, c)."""
    z = np.zeros((len(v), columns.shape[2]))
    squares = np.maximum(np.sum(np.square(columns), axis=1), 1e-300)
    left, best = v.copy(), np.zeros(len(v))
    for sweep in range(_SWEEPS + 1):
        # Any direction gives a bound: that of what is left is the best one once z is where the two come closest.
        length = np.linalg.norm(left, axis=1)
        n = left / np.maximum(length, 1e-300)[:, None]
        taken = np.sum(np.abs(np.einsum("nm,nmc->nc", n, columns)), axis=1)
        best = np.maximum(best, np.sum(n * v, axis=1) - taken)
        if sweep == _SWEEPS:
            break
        for c in range(z.shape[1]):
            column = columns[:, :, c]
            wanted = np.clip(z[:, c] - np.sum(column * left, axis=1) / squares[:, c], -1.0, 1.0)
            left = left + (wanted - z[:, c])[:, None] * column
            z[:, c] = wanted
    return best


def _unique(boxes: Ints) -> tuple[Ints, NDArray[np.intp]]:
    """Different rows, and which of them each row is."""
    low = boxes.min(axis=0)
    extent = boxes.max(axis=0) - low + 1
    keys = np.ravel_multi_index(tuple((boxes - low).T), tuple(int(n) for n in extent))
    _, first, index = np.unique(keys, return_index=True, return_inverse=True)
    return boxes[first], index
