"""Chi-square: against the check case EST-13 and scipy."""

import json
import math
from pathlib import Path

import pytest
from scipy import stats

from fluxfix.inverse import chi_square

CASES = {case["id"]: case for case in json.loads((Path(__file__).parents[1] / "data" / "checks.json").read_text())}
LOGARITHMS = 1e-11  # a term exp(a − b) with a, b up to 4000 keeps 16 digits less four; scipy keeps about as many


@pytest.mark.parametrize("dof", [1, 2, 3])
def test_thresholds(dof):
    """Thresholds of the residual at false-alarm rates from 1e-2 to 1e-6: the case's own tolerance."""
    case = CASES["EST-13"]
    for rate, threshold in zip(case["inputs"]["p_false_alarm"], case["expected"][f"threshold_{dof}dof"], strict=True):
        assert chi_square.limit(rate, dof) == pytest.approx(threshold, rel=case["tolerance"]["rel"])


@pytest.mark.parametrize("dof", [1, 2, 3, 4, 9, 60, 183, 1500, 8001])
@pytest.mark.parametrize("ratio", [0.5, 0.95, 1.0, 1.1, 1.4])
def test_survival(dof, ratio):
    """Probabilities are scipy's, up to thousands of dof, as the residuals of a long calibration have."""
    expected = stats.chi2.sf(ratio * dof, dof)

    assert chi_square.survival(ratio * dof, dof) == pytest.approx(expected, rel=LOGARITHMS, abs=1e-200)


def test_ends():
    """Chi-square exceeds 0 always; without a degree of freedom there is no limit to exceed."""
    assert chi_square.survival(0.0, 3) == 1.0
    assert chi_square.limit(1e-3, 0) == math.inf
