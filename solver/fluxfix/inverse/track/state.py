"""What a filter keeps between samples: one row of doubles, which can be copied, kept and sent."""

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MAX_JOINTS = 4
T, USED, PERIOD, RUNNING, AMBIGUOUS = range(5)
"""Time of the last sample, of the last one used, the period between them; 1 while there is an estimate; 1 while
another position explains the readings as well."""
STATE = slice(5, 5 + 2 * MAX_JOINTS)
COVARIANCE = slice(5 + 2 * MAX_JOINTS, None)
SIZE = 5 + 2 * MAX_JOINTS + MAX_JOINTS * (2 * MAX_JOINTS + 1)
"""As `ffx_track_state` of ffx_track.h."""


def fresh() -> Floats:
    """Before the first sample."""
    state = np.zeros(SIZE)
    state[[T, USED, PERIOD]] = np.nan
    return state


def sound(state: Floats, joints: int) -> bool:
    """Whether numbers from elsewhere can be a state of d joints."""
    if (
        state.shape != (SIZE,)
        or np.any(np.isinf(state))
        or not np.all(np.isin(state[[RUNNING, AMBIGUOUS]], (0.0, 1.0)))
    ):
        return False
    if state[RUNNING] == 0.0:
        return True
    diagonal = state[COVARIANCE][[i * (i + 3) // 2 for i in range(2 * joints)]]
    known = np.delete(state, PERIOD)
    return not np.any(np.isnan(known)) and bool(state[USED] <= state[T] and np.all(diagonal > 0.0))
