"""Confirmation of alarms: k of the last n samples must be flagged before anything acts."""

import math
from dataclasses import dataclass

import numpy as np

MOST_SAMPLES = 16
"""The longest window: the chances are followed over all patterns of flags in it."""
_ENDLESS = 100_000
"""Samples after which an alarm that has not come is taken as never coming."""


@dataclass(frozen=True)
class Confirmation:
    """An alarm that is raised when k of the last n samples are flagged.

    Flags of samples are taken as independent, which holds for noise; what a build differs from its model flags many
    samples in a row.
    """

    k: int
    n: int
    false_alarms_per_hour: float
    """How often it is raised with no foreign field."""
    delay_samples: float
    """Samples of a lasting field, the first one counted, until it is raised with the probability of detection;
    infinite where it never is."""
    delay_ms: float
    """The same as time, with the wait for the first of them."""


def confirmation(k: int, n: int, *, false_alarm: float, detection: float, rate_hz: float) -> Confirmation:
    """Find out what a confirmation costs and brings.

    Args:
        k: flagged samples needed, 1 to n.
        n: of so many, at most MOST_SAMPLES.
        false_alarm: chance that a sample is flagged with no foreign field.
        detection: chance that it is flagged with one, and the chance wanted for the alarm.
        rate_hz: samples a second.
    """
    delay = _delay(k, n, detection)
    return Confirmation(k, n, 3600.0 * rate_hz * _raised(k, n, false_alarm), delay, 1e3 * delay / rate_hz)


def _raised(k: int, n: int, chance: float) -> float:
    """Chance that a sample raises the alarm: it is flagged, the one leaving the window is not, k - 1 between are."""
    between = math.comb(n - 1, k - 1) * chance ** (k - 1) * (1.0 - chance) ** (n - k)
    return chance * (1.0 - chance) * between


def _delay(k: int, n: int, chance: float) -> float:
    """Samples until k of n are flagged with the chance that a single one is."""
    patterns = np.arange(2 ** (n - 1))  # of the n - 1 samples before, the latest one the lowest bit
    enough = np.bitwise_count(patterns) + 1 >= k
    after, kept = np.zeros(len(patterns)), len(patterns) - 1
    after[0] = 1.0
    pending = 1.0 - chance
    for samples in range(1, _ENDLESS):
        before, after = after, np.zeros(len(patterns))
        np.add.at(after, (patterns << 1) & kept, (1.0 - chance) * before)
        np.add.at(after, ((patterns << 1) | 1) & kept, chance * np.where(enough, 0.0, before))
        # Chances add up with round-off, so that the very chance of one sample is reached, too.
        if float(np.sum(after)) <= pending * (1.0 + 1e-9):
            return float(samples)
    return math.inf
