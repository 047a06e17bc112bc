"""Random tables of every form: not fitted to anything, so that nothing but the arithmetic is tested by them."""

from dataclasses import replace

import numpy as np

from fluxfix.table.descriptor import (
    SPARE_MAX,
    Descriptor,
    Direction,
    Elevation,
    Guard,
    Harmonic,
    Interval,
    Kernel,
    Output,
    Ratio,
    Spare,
    Strength,
    shape_of,
)

AXES = 5
"""Field axes of the imagined rig."""


def kernels(rng: np.random.Generator) -> list[Kernel]:
    """One kernel for each combination of features, with random order, joints and numbers."""
    made = []
    for strength in (False, True):
        made += [_ratio(rng, ratios, strength) for ratios in (0, 1, 2) if ratios + strength]
        made += [_direction(rng, elevation, strength) for elevation in (False, True)]
    made.append(_harmonic(rng))
    return made


def _whole(rng: np.random.Generator, low: int, high: int) -> int:
    return int(rng.integers(low, high + 1))


def _guard(rng: np.random.Generator, feature_axes: int, spare: bool, direction: bool) -> Guard:
    used = feature_axes + spare
    weight = tuple(_whole(rng, 1, 16383) for _ in range(feature_axes)) + ((0,) if spare else ())
    low = tuple(_whole(rng, -32768, -20000) for _ in range(used))
    return Guard(
        axis=tuple(rng.permutation(AXES)[:used].tolist()),
        low=low,
        span=tuple(_whole(rng, 40000, 65535) for _ in range(used)),
        weight=weight,
        square_shift=14,
        weak=_whole(rng, int(direction), 10**6),
        strong=_whole(rng, 10**8, 2**32 - 1),
        saturation_is_strong=bool(rng.integers(2)),
        always=0,
        mask=int(rng.choice([0, 0xFF7F, 0x0024])),
    )


def _spare(rng: np.random.Generator, guard: Guard, wanted: bool) -> Spare | None:
    if not wanted:
        return None
    low, high = sorted(rng.integers(-SPARE_MAX, SPARE_MAX + 1, 2).tolist())
    return Spare(guard.axis[-1], low, high)


def _interval(rng: np.random.Generator, lowest: int, highest: int) -> Interval:
    low, high = sorted(rng.integers(lowest, highest, 2).tolist())
    width, cells = max(1, high - low), _whole(rng, 1, 6)
    shift = max(0, width.bit_length() - 18)
    down = 16 - cells.bit_length()
    most = ((cells << (16 + down)) - 1) // max(1, width >> shift)
    return Interval(low, width, min(most, 65535), shift, down, cells)


def _outputs(rng: np.random.Generator, joints: int, turns: bool) -> tuple[Output, ...]:
    return tuple(
        Output(
            _whole(rng, -(2**17), 2**17),
            int(rng.choice([1, 300, 8192, 11000, 16384, 32768])),
            _whole(rng, -(2**16), 0),
            _whole(rng, 2**16, 2**18),
            _whole(rng, -1, 1) if turns else 0,
        )
        for _ in range(joints)
    )


def _strength(rng: np.random.Generator) -> Strength:
    reference = _whole(rng, -200, 900)
    low, high = reference - _whole(rng, 0, 4000), reference + _whole(rng, 0, 4000)
    interval = _interval(rng, 0, 2**30)
    return Strength(_whole(rng, 0, 8), interval, _whole(rng, -262128, 262128), reference, low, high)


def _coefficients(rng: np.random.Generator, descriptor: Descriptor) -> Kernel:
    return Kernel(descriptor, rng.integers(0, 65536, shape_of(descriptor)))


def _ratio(rng: np.random.Generator, ratios: int, strength: bool) -> Kernel:
    spare = bool(rng.integers(2))
    guard = _guard(rng, ratios + 1, spare, direction=False)
    reach = _whole(rng, 1, 16) if ratios else 1
    numerator = (2**31 - 1) // reach - 2**14
    table = Ratio(
        guard,
        numerator,
        reach,
        int(rng.choice([-1, 1])),
        tuple(_interval(rng, -(2**31) + 2**16, 2**31 - 2**16) for _ in range(ratios)),
        _outputs(rng, _whole(rng, 1, 3), turns=False),
        _spare(rng, guard, spare),
        _whole(rng, 1, 3),
        _strength(rng) if strength else None,
    )
    return _coefficients(rng, table)


def _direction(rng: np.random.Generator, elevation: bool, strength: bool) -> Kernel:
    spare = bool(rng.integers(2))
    guard = _guard(rng, 2 + elevation, spare, direction=True)
    knots = _whole(rng, 1, 5)
    reach = _whole(rng, 1, 8)
    closed = bool(rng.integers(2))
    table = Direction(
        guard,
        knots,
        0 if closed else _whole(rng, 0, 4 * knots - 1),
        4 * knots if closed else _whole(rng, 1, 4 * knots),
        _outputs(rng, _whole(rng, 1, 3), turns=True),
        _spare(rng, guard, spare),
        _whole(rng, 1, 3),
        bool(rng.integers(2)),
        min(2**31 - 1, 4 * ((2**31 - 1) // reach - 2**15) - 4),
        Elevation(reach, _interval(rng, -(2**29), 2**29)) if elevation else None,
        _strength(rng) if strength else None,
    )
    return _coefficients(rng, table)


def _harmonic(rng: np.random.Generator) -> Kernel:
    spare = bool(rng.integers(2))
    guard = _guard(rng, 2, spare, direction=True)
    output = replace(_outputs(rng, 1, turns=False)[0], turn=int(rng.choice([-1, 1])))
    return _coefficients(
        rng, Harmonic(guard, _whole(rng, 1, 8), (output,), _spare(rng, guard, spare), bool(rng.integers(2)))
    )
