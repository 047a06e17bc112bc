"""The fast form and its two evaluators: against the exact model, against each other, and without a compiler."""

import numpy as np
import pytest

from fluxfix import calibrate, load_rig, shipped
from fluxfix.inverse.fast import library
from fluxfix.inverse.fast.model import MOST_ERROR_SD
from fluxfix.inverse.fast.solve import FastSolver
from fluxfix.rig.travel import difference
from inverse import rigs
from rig import texts

COUNT = 600
REST = 1e-4  # sd, times the misfit where that is above 1: the exact model ends within 1e-3 sd times its root
EQUAL = 1e-12  # of the travel: the same steps in another order of additions
RELATIVE = 1e-4  # of covariances: the exact model describes a fix up to 1e-3 sd away
ROUND_OFF = 1e-13

NAMES = (
    "boom-stick", "rate-slider", "measured-scan", "knob", "warm-lever", "warm-knob", "space", "geared", "four",
    "calibrated",
)  # fmt: skip

WARM = """
[surroundings]
temperature_C = [-20, 60]
"""
"""A temperature that varies unmeasured, where a strength or a gain depends on it."""


def _rig(name):
    return {
        "boom-stick": lambda: load_rig(shipped.path("rigs/boom-stick.toml")),
        "rate-slider": lambda: load_rig(shipped.path("rigs/rate-slider.toml")),
        "measured-scan": lambda: load_rig(shipped.path("rigs/measured-scan.toml")),
        "knob": lambda: texts.rig(rigs.KNOB),
        "warm-lever": lambda: texts.rig(
            texts.changed(
                texts.LEVER,
                remanence_mT="remanence_mT = 1250\nremanence_temperature_coefficient_per_K = -0.002",
                noise_mT="noise_mT = 0.03\ntemperature_coefficient_per_K = -0.0005",
            )
            + WARM
        ),
        "warm-knob": lambda: texts.rig(
            texts.changed(rigs.KNOB, noise_mT="noise_mT = 0.03\ntemperature_coefficient_per_K = -0.002") + WARM
        ),
        "space": lambda: texts.rig(rigs.SPACE),
        "geared": lambda: texts.rig(rigs.GEARED),
        "four": lambda: texts.rig(rigs.FOUR),
        "calibrated": _calibrated,
    }[name]()


def _calibrated():
    rig = load_rig(shipped.path("rigs/rate-slider.toml"))
    return calibrate(rig, shipped.path("recordings/rate-slider-unit-a/reference.csv")).rig


SLOW_TO_COMPILE = ("rate-slider", "measured-scan", "warm-lever", "warm-knob", "space")
"""Left to the proofs: other rigs go the same ways, the calibrated slider those of one joint."""
OF_EACH_WAY = ("boom-stick", "knob", "calibrated")
"""Two joints, a full turn, and a covariance of the calibration."""


@pytest.fixture(
    scope="module",
    params=[pytest.param(name, marks=[pytest.mark.prove] * (name in SLOW_TO_COMPILE)) for name in NAMES],
)
def trial(request):
    """A rig, readings from all over its searched range, some foreign, saturated or lost, and exact fixes."""
    rig = _rig(request.param)
    rng = np.random.default_rng(21)
    ends = [[getattr(joint, end) for joint in rig.joints] for end in ("lowest", "highest")]
    readings = rig.simulate(rng.uniform(*ends, (COUNT, len(rig.joints))), seed=22)
    readings[::20] += rng.normal(0.0, 3.0, readings[::20].shape)
    readings[1, 0], readings[2, 1], readings[3] = np.nan, np.inf, -np.inf
    return rig, readings, rig.solve(readings, exact=True)


@pytest.fixture
def without_compiler(monkeypatch):
    """A machine on which native code cannot be had."""
    monkeypatch.setenv(library.SWITCH, "off")
    library.library.cache_clear()
    yield
    library.library.cache_clear()


def _compare(rig, fixes, exact):
    apart = np.abs(difference(rig.joints, fixes.position, exact.position))
    told = np.isfinite(exact.position[:, 0]) & np.isfinite(exact.covariance[:, 0, 0])

    assert np.array_equal(fixes.status, exact.status)
    assert np.array_equal(fixes.dof, exact.dof)
    assert np.array_equal(np.isnan(fixes.position), np.isnan(exact.position))
    assert np.array_equal(np.isnan(fixes.other), np.isnan(exact.other))
    limit = REST + 2.0 * rig.fast.model.agreement.error_sd
    assert np.max((apart / exact.sd)[told] / np.maximum(exact.misfit[told], 1.0)[:, None]) <= limit
    for one, other in ((fixes.covariance, exact.covariance), (fixes.noise_covariance, exact.noise_covariance)):
        size = np.sqrt(np.einsum("ni,nj->nij", *(np.diagonal(other[told], axis1=1, axis2=2),) * 2))
        assert np.max(np.abs(one[told] - other[told]) / size) <= RELATIVE
    off = rig.fast.model.agreement.error_mT * np.sqrt(np.sum(rig.fast.weights))  # of white readings, at most
    allowed = RELATIVE * (1.0 + exact.misfit[told]) + off * (2.0 * np.sqrt(exact.misfit[told]) + off)
    assert np.all(np.abs(fixes.misfit[told] - exact.misfit[told]) <= allowed)


def test_fast_and_exact_agree(trial):
    """Positions, covariances, misfits and flags are those of the exact model, also for readings that fit nowhere."""
    rig, readings, exact = trial

    _compare(rig, rig.solve(readings), exact)


@pytest.mark.parametrize(
    "trial",
    [pytest.param(name, marks=[pytest.mark.prove] * (name not in OF_EACH_WAY)) for name in NAMES],
    indirect=True,
)
@pytest.mark.usefixtures("without_compiler")
def test_without_a_compiler_results_are_the_same(trial):
    """The evaluator in JAX and the whole search behind it give the same, one reading at a time too."""
    rig, readings, exact = trial
    again = FastSolver(rig.solver)

    assert again.native is None
    _compare(rig, again.solve(readings), exact)
    one = again.single.solve(readings[5].tolist())
    assert one.status == exact.status[5]
    limit = REST + 2.0 * again.model.agreement.error_sd
    assert one.position == pytest.approx(exact.position[5], abs=limit * exact.sd[5].max())


def test_evaluators_are_equal(trial):
    """Where the short way holds, native code and JAX give one position and one status."""
    rig, readings, _ = trial
    fixes, held = rig.fast.by_jax(readings)
    native = rig.solve(readings)
    span = np.array([joint.span for joint in rig.joints])
    held &= np.isfinite(native.position[:, 0])

    assert np.sum(held) > 0.8 * COUNT
    apart = np.abs(difference(rig.joints, fixes.position, native.position))[held] / span
    # A reading whose step is just at a limit may take one more step in one of them: to round-off of its sd then.
    assert np.percentile(apart, 99.0) <= EQUAL
    assert np.array_equal(fixes.status[held], native.status[held])


def test_form_is_as_good_as_it_says(trial):
    """At places that its making has not seen, the form is off by no more than twice what it states."""
    rig, _, _ = trial
    model = rig.fast.model
    places = np.random.default_rng(5).uniform(
        [joint.lowest for joint in rig.joints], [joint.highest for joint in rig.joints], (2000, len(rig.joints))
    )
    off = np.max(np.abs(model.readings.values(places) - rig.readings(places)))

    assert off <= 2.0 * model.agreement.error_mT + ROUND_OFF * np.max(np.abs(rig.readings(places)))
    assert model.agreement.error_sd < MOST_ERROR_SD
    assert rig.form_note().startswith("solved on the fast form: a form of ")


def test_rows_do_not_know_their_neighbours(trial):
    """A row gives the same alone, within any batch, and through every door."""
    rig, readings, _ = trial
    whole, single = rig.solve(readings), rig.single()
    for k in (0, 1, 2, 3, 7, 20, 41, 60):
        alone, listed, plain = rig.solve(readings[k]), rig.solve([readings[k].tolist()]), single.solve(readings[k])
        assert np.array_equal(alone.position, whole.position[k], equal_nan=True)
        assert np.array_equal(alone.covariance, whole.covariance[k])
        assert np.array_equal(listed.covariance[0], whole.covariance[k])
        assert np.array_equal(plain.position, whole.position[k], equal_nan=True)
        assert np.array_equal(np.reshape(plain.covariance, alone.covariance.shape), whole.covariance[k])
        assert (plain.status, plain.dof) == (whole.status[k], whole.dof[k])
        assert (int(alone.status), int(listed.dof[0])) == (whole.status[k], whole.dof[k])
