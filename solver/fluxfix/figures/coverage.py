"""How often errors stay inside what was predicted, against how often they should."""

from collections.abc import Sequence
from functools import partial
from statistics import NormalDist
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike

from fluxfix.figures import style
from fluxfix.figures.checks import Array, array, names
from fluxfix.figures.drawing import Drawing
from fluxfix.figures.panel import legend_above, line, patch

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_SHARES = np.linspace(0.0, 0.995, 200)


def coverage(joints: Sequence[str], units: Sequence[str], *, normalised: ArrayLike) -> Drawing:
    """Draw the share of errors inside each predicted interval over that interval's share, a curve for each joint.

    Args:
        joints: d names.
        units: of the joints.
        normalised: (k, d) errors in predicted sd.

    Raises:
        ArgumentError: the arrays do not fit together.
    """
    d = names(joints, units)
    return Drawing(3.6, partial(_paint, joints=tuple(joints), z=array("normalised", normalised, None, d)))


def _paint(figure: "Figure", *, joints: tuple[str, ...], z: Array) -> None:
    axes = figure.subplots()
    half = np.array([NormalDist().inv_cdf(0.5 + 0.5 * share) for share in _SHARES])
    # Of n independent errors the share inside scatters as a binomial one; a band of 1.96 sd of it holds 95 %.
    spread = style.NORMAL_95 * np.sqrt(_SHARES * (1.0 - _SHARES) / max(len(z), 1))
    low, high = np.clip(_SHARES - spread, 0.0, 1.0), np.clip(_SHARES + spread, 0.0, 1.0)
    axes.fill_between(100.0 * _SHARES, 100.0 * low, 100.0 * high, facecolor=style.BAND, edgecolor="none")
    axes.plot([0.0, 100.0], [0.0, 100.0], color=style.SOFT_INK, linewidth=0.8)
    entries = [(patch(facecolor=style.BAND), f"95 % band for {len(z)} errors as predicted, share by share")]
    for j, joint in enumerate(joints):
        seen = np.mean(np.abs(z[:, j])[None, :] <= half[:, None], axis=1)
        look: dict[str, Any] = {"color": style.SERIES[j % 3], "linestyle": style.DASHES[j % 3]}
        axes.step(100.0 * _SHARES, 100.0 * seen, where="post", **look)
        entries.append((line(**look), style.plain(joint)))
    axes.set_xlim(0.0, 100.0)
    axes.set_ylim(0.0, 101.0)
    axes.set_xlabel("share predicted (%)")
    axes.set_ylabel("share of held-out errors inside (%)")
    legend_above(figure, entries)
