"""Lower bounds of the distance between the readings of two boxes of positions. NumPy.

All is about the polynomial p of `survey_form`; the exact readings' distance is less by at most twice its error. S
scales values (1/sd, or 1). Boxes lie on a regular grid; tables hold, cell by cell of a coarse grid, a bound C_jk of
each second derivative |S d2p/dqj dqk|, and of each third one (`survey_cells`).

*Near pairs*, in the mean-value form. The two boxes lie in one box with middle c and half widths R, and p(q) - p(q') =
J~ D, where D = q - q' and J~ is the mean of the Jacobian along the way. With G = S J(c), H_j its derivative along joint
j and T_jl a bound of each column of the second one within the box, S J~ - G = sum over j of H_j m_j + rest: m is how
far the middle of the way is from c, at most half the width of a box, and the rest at most 1/2 sum T_jl R_j R_l. With
the singular values s_k of G and their directions v_k, S J~ - G is along v_k at most e_k = sum |H_j v_k| |m_j| and what
the rest adds. Since |G D|**2 = sum (s_k v_k . D)**2, by Cauchy's inequality

    |S (p(q) - p(q'))| >= (1 - root of sum (e_k / s_k)**2) |G D|.

|G D| is at least the smallest s_k times |D|, and at least |D_k| / t_k, t_k being the root of entry kk of (G' G)**-1.

*Far pairs*, from both middles: p = p(c) + J(c)(q - c) + rest, with |S rest| <= 1/2 sum C_jk R_j R_k. Along any unit
vector n, the distance is at least n . S(p(c) - p(c')) less what the linear parts and the rests can take away; n is
chosen where the linear parts alone come closest.

*What varies unmeasured* moves the readings by g(q) u, u being known beforehand to be 0 ± 1; the distance is then the
smallest over u of |(S (p(q) - p(q') - g(q') u), u)|, which is that by the weight of least squares at q'. For near pairs
u is one more unknown beside D, with the column (-S g(c), 1); e of it is what g can change within the box. For far pairs
u at g(c') is eliminated, which leaves a root of 1 / (1 + S g g' S) before everything, and what g can change is taken
away for the largest u that matters.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fluxfix.inverse.predict import inverse
from fluxfix.study import survey_form
from fluxfix.study.survey_cells import NEAR, Cells
from fluxfix.study.survey_form import Form

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_NEAR = 6
"""So many boxes apart do near pairs lie at most, if the tables' windows hold both: beyond, far pairs' bound is good."""
CELLS = {1: 64, 2: 24, 3: 10, 4: 4}
"""Coarse cells along each joint's travel, by number of joints."""
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
class Drift:
    """How far readings move with one sd of what varies unmeasured, where the measure counts it."""

    form: Form
    slopes: Cells
    most_sd: float
    """Bounds need hold up to this distance only: a larger drift alone costs as much."""


@dataclass(frozen=True)
class Bounds:
    """What lower bounds of pairs need."""

    form: Form
    curvature: Cells  # C_jk
    third: Cells  # T_jl, for each column of the Jacobian
    gradient: Form  # of the form
    measure: Measure
    resolution: Floats  # (d,) r, in each joint's unit
    drift: Drift | None = None

    @property
    def error(self) -> float:
        """What the exact readings' distance may be less by."""
        found = 2.0 * float(np.linalg.norm(self.measure.scale * self.form.error_mT))
        if self.drift is not None:
            found += self.drift.most_sd * float(np.linalg.norm(self.measure.scale * self.drift.form.error_mT))
        return found

    def lower(self, grid: Grid, boxes: Ints, others: Ints) -> Floats:
        """Lower bound (n,) over all pairs of positions of boxes (n, d) and others (n, d) that lie r or more apart.

        Infinite where there is no such pair.
        """
        moved = grid.nearest(boxes, others)
        apart = np.abs(boxes - moved)
        reachable = (apart + 1) * grid.width >= self.resolution * (1.0 - 1e-12)
        finer = np.rint(self.curvature.width / grid.width).astype(np.int64)
        near = np.all(apart <= np.minimum(np.maximum(NEAR, 2 * finer - 1), MOST_NEAR), axis=1)
        far = np.max(apart, axis=1) >= NEAR
        found = np.zeros(len(boxes))
        if np.any(near):
            found[near] = self._near(grid, boxes[near], moved[near], reachable[near])
        if np.any(far):
            found[far] = np.maximum(found[far], self._far(grid, boxes[far], others[far], apart[far]))
        if self.drift is not None:
            found = np.minimum(found, self.drift.most_sd)
        return np.where(np.any(reachable, axis=1), found, np.inf)

    def _near(self, grid: Grid, boxes: Ints, moved: Ints, reachable: NDArray[np.bool_]) -> Floats:
        sums, index = _unique(boxes + moved)
        middle = grid.middles(np.asarray(0.5 * sums, dtype=np.float64))
        n, m, d = len(middle), len(self.measure.scale), len(grid.low)
        slopes, bends = (one.reshape(n, m, d, -1) for one in survey_form.evaluate(self.gradient, middle))
        scaled = self._with_drift(self.measure.scale[:, None] * slopes[..., 0], middle)
        information = np.swapaxes(scaled, 1, 2) @ scaled
        squares, v = np.linalg.eigh(information)
        t = np.sqrt(np.diagonal(inverse(information), axis1=1, axis2=2))[index]
        bent = np.einsum("i,nikj,nkc->nijc", self.measure.scale, bends, v[:, :d])
        first = 0.5 * np.einsum("njc,j->nc", np.linalg.norm(bent, axis=1), grid.width)
        apart = np.abs(boxes - moved)
        half, v = 0.5 * (apart + 1) * grid.width, np.abs(v)[index]
        rest = 0.5 * np.einsum("njlk,nj,nl->nk", self.third.over(middle[index], half), half, half)
        e = first[index] + np.einsum("nk,nkc->nc", rest, v[:, :d])
        if self.drift is not None:
            e += np.sum(self.drift.slopes.over(middle[index], half) * half, axis=1)[:, None] * v[:, d]
        with np.errstate(divide="ignore", invalid="ignore"):
            kept = 1.0 - np.sqrt(np.sum(np.square(e) / np.maximum(squares, 0.0)[index], axis=1))
        kept = np.maximum(np.nan_to_num(kept, nan=0.0), 0.0)
        gap = np.maximum(apart - 1, 0) * grid.width
        if self.measure.per_length:
            weakest = np.sqrt(np.maximum(squares[:, 0], 0.0))[index]
            shortest = np.maximum(np.linalg.norm(gap, axis=1), np.min(self.resolution))
            return np.asarray(np.maximum(kept * weakest - self.error / shortest, 0.0))
        t = t[:, : gap.shape[1]]
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
        rests = rest[a] + rest[b] + self.error
        if self.drift is None:
            closest = np.maximum(_closest(v, columns) - rests, 0.0)
        else:
            closest = self._far_with_drift(self.drift, middle, half, (a, b), v, columns, rests)
        if self.measure.per_length:
            return np.asarray(closest / np.linalg.norm((apart + 1) * grid.width, axis=1))
        return np.asarray(closest)

    def _with_drift(self, scaled: Floats, middle: Floats) -> Floats:
        """Slopes (n, m, d) with a column for the drift, and a row for what it costs, where it counts."""
        if self.drift is None:
            return scaled
        n, m, d = scaled.shape
        found = np.zeros((n, m + 1, d + 1))
        found[:, :m, :d] = scaled
        found[:, :m, d] = self.measure.scale * survey_form.evaluate(self.drift.form, middle)[0]
        found[:, m, d] = 1.0
        return found

    def _far_with_drift(
        self,
        drift: Drift,
        middle: Floats,
        half: Floats,
        ends: tuple[NDArray[np.intp], NDArray[np.intp]],
        v: Floats,
        columns: Floats,
        rests: Floats,
    ) -> Floats:
        """The smaller bound of either box drifting, with what its drift explains taken out of all directions."""
        moved = self.measure.scale * survey_form.evaluate(drift.form, middle)[0]
        turned = drift.most_sd * np.sum(drift.slopes.over(middle, half) * half, axis=1)
        found = np.full(len(v), np.inf)
        for end in ends:
            g = moved[end]
            # The root of 1 / (1 + g gᵀ) along g is 1 / √(1 + |g|²), and 1 across it.
            squared = np.sum(np.square(g), axis=1)
            taken = ((1.0 - 1.0 / np.sqrt(1.0 + squared)) / np.maximum(squared, 1e-300))[:, None]
            white = v - taken * np.sum(g * v, axis=1)[:, None] * g
            along = np.einsum("nm,nmc->nc", g, columns)
            whites = columns - (taken * g)[:, :, None] * along[:, None, :]
            found = np.minimum(found, np.maximum(_closest(white, whites) - rests - turned[end], 0.0))
        return found


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
