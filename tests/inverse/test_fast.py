"""The fast form and its two evaluators: against the exact model, against each other, and without a compiler."""

import logging
import threading

import numpy as np
import pytest

from fluxfix import calibrate, load_rig, shipped
from fluxfix.errors import ArgumentError
from fluxfix.inverse.fast import library, vectorised
from fluxfix.inverse.fast.model import MOST_ERROR_SD
from fluxfix.inverse.fast.solve import FastSolver
from fluxfix.inverse.native import compile as build
from fluxfix.rig.travel import difference, grid
from fluxfix.status import Status
from inverse import rigs
from rig import texts

COUNT = 600
REST = 1e-4  # sd, times the misfit where that is above 1: the exact model ends within 1e-3 sd times its root
EQUAL = 1e-12  # of the travel: the same steps in another order of additions
RELATIVE = 1e-4  # of covariances: the exact model describes a fix up to 1e-3 sd away
ROUND_OFF = 1e-13

THREE = (
    texts.LEVER.replace('name = "lever"', 'name = "space"')
    + """
[[joint]]
name = "push"
kind = "prismatic"
axis = [0, 0, 1]
range_mm = [-1, 1]
rides = "second"
"""
)
"""Two tilts and a push along the lever: three joints that three values just determine."""

NAMES = (
    "boom-stick", "rate-slider", "measured-scan", "knob", "warm-lever", "warm-knob", "space", "calibrated",
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
        "space": lambda: texts.rig(THREE),
        "calibrated": _calibrated,
    }[name]()


def _calibrated():
    rig = load_rig(shipped.path("rigs/rate-slider.toml"))
    return calibrate(rig, shipped.path("recordings/rate-slider-unit-a/reference.csv")).rig


@pytest.fixture(scope="module", params=NAMES)
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
    assert fixes.misfit[told] == pytest.approx(exact.misfit[told], rel=RELATIVE, abs=RELATIVE)


def test_fast_and_exact_agree(trial):
    """Positions, covariances, misfits and flags are those of the exact model, also for readings that fit nowhere."""
    rig, readings, exact = trial

    _compare(rig, rig.solve(readings), exact)


@pytest.mark.usefixtures("without_compiler")
def test_without_a_compiler_results_are_the_same(trial):
    """The evaluator in JAX and the whole search behind it give the same, one reading at a time too."""
    rig, readings, exact = trial
    again = FastSolver(rig.solver)

    assert again.native is None
    _compare(rig, again.solve(readings), exact)
    one = again.single.solve(readings[5].tolist())
    assert one.status == exact.status[5]
    assert one.position == pytest.approx(exact.position[5], abs=REST * exact.sd[5].max())


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


def test_a_sensor_that_saturates_over_most_of_the_travel():
    """Where two or three axes are beyond their range, flags and positions are those of the exact model."""
    rig = texts.rig(texts.changed(texts.LEVER, range_mT="range_mT = 8.0"))
    readings = rig.simulate(grid(rig.joints, 15, widened=True), seed=6)
    fast, exact = rig.solve(readings), rig.solve(readings, exact=True)
    told = np.isfinite(exact.position[:, 0]) & (exact.status & Status.AMBIGUOUS == 0)

    assert len(set(exact.status.tolist())) > 3
    assert np.mean(fast.status == exact.status) > 0.97  # with a value less, more places are equal but for round-off
    assert np.sum(told) > 20
    same = told & (fast.status == exact.status)
    assert np.percentile(np.abs(fast.position - exact.position)[same] / exact.sd[same], 95.0) <= 1e-3


def test_two_places_that_read_alike_are_told():
    """Native code tells both places of a folded rig, as the exact model does; which of two equals is first is open."""
    rig = texts.rig(rigs.FOLDED)
    readings = rig.simulate(np.random.default_rng(3).uniform(-7.9, 7.9, (300, 1)), seed=4)
    fast, exact = rig.solve(readings), rig.solve(readings, exact=True)
    told = np.isfinite(exact.other[:, 0])

    assert np.array_equal(fast.status & Status.AMBIGUOUS, exact.status & Status.AMBIGUOUS)
    assert np.max(np.abs(np.abs(fast.position) - np.abs(exact.position)) / exact.sd) <= REST
    assert fast.other[told] == pytest.approx(-fast.position[told], abs=1e-3)


def test_a_form_that_is_too_coarse_is_not_used(monkeypatch):
    """With a noise so small that the form's error would count, the exact model solves, and the note says so."""
    rig = texts.rig(texts.LEVER)
    coarse = FastSolver(rig.solver, error=3e-3)
    called = []
    monkeypatch.setattr("fluxfix.inverse.solver.solve", lambda *arguments: called.append(arguments))

    assert not coarse.usable()
    assert coarse.note().startswith("solved on the exact model, since the fast form is too coarse")
    coarse.solve(rig.readings([[1.0, 2.0]]))
    assert len(called) == 1
    fine = FastSolver(rig.solver)
    assert fine.usable()
    assert not fine.usable(fine.weights * 1e12)


def test_noise_given_changes_where_others_are_looked_for():
    """With ten times the noise two places that were told apart are not: the same as on the exact model."""
    rig = texts.rig(texts.changed(texts.LEVER, bits='bits = 24\naxes = "xz"'))
    readings = rig.readings(np.random.default_rng(8).uniform(-20.0, 20.0, (100, 2)))
    fast, exact = rig.solve(readings, noise_mT=0.3), rig.solve(readings, noise_mT=0.3, exact=True)

    assert np.array_equal(fast.status, exact.status)


def test_single_refuses_other_shapes():
    """Another number of values, or what is no number, is refused with a sentence."""
    single = texts.rig(texts.LEVER).single()

    for wrong in ([1.0, 2.0], [1.0, 2.0, "three"], 5.0):
        with pytest.raises(ArgumentError, match="needs 3 numbers"):
            single.solve(wrong)


def test_threads_share_a_single():
    """Readings solved by several threads at once are solved as by one."""
    rig = texts.rig(texts.LEVER)
    readings = rig.simulate(np.random.default_rng(2).uniform(-20.0, 20.0, (400, 2)), seed=3).tolist()
    single = rig.single()
    expected, found = [single.solve(one) for one in readings], {}

    def work(number):
        found[number] = [single.solve(one) for one in readings]

    threads = [threading.Thread(target=work, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert [repr(one) for one in found[3]] == [repr(one) for one in expected]
    assert all(repr(one) == repr(expected) for one in found.values())


def test_one_lane_is_compiled_and_gives_the_same(tmp_path, monkeypatch):
    """Plain C99 without vectors, warnings as errors and undefined behaviour trapped, gives what vectors give."""
    strict = ("-pedantic", "-Wall", "-Wextra", "-Werror", "-fsanitize=undefined", "-fsanitize-undefined-trap-on-error")
    rig = texts.rig(texts.LEVER)
    readings = rig.simulate(grid(rig.joints, 9, widened=True), seed=9)
    readings[4] = [np.nan, np.inf, 0.0]
    expected = rig.solve(readings)
    monkeypatch.setattr(build, "FLAGS", (*build.FLAGS, "-DFFX_ONE_LANE", *strict))
    assert build.compiled(build.PLAIN, tmp_path / "one.so") is None
    loaded = library._load(tmp_path / "one.so")
    monkeypatch.setattr(library, "library", lambda: loaded)
    found = FastSolver(rig.solver).solve(readings)

    assert np.array_equal(found.status, expected.status)
    good = expected.status == 0
    assert np.sum(good) > 30
    assert found.position[good] == pytest.approx(expected.position[good], abs=EQUAL * 40.0)
    # Of several searches that end at one minimum round-off decides which is the best.
    assert found.position == pytest.approx(
        expected.position, abs=REST * np.nanmax(np.sqrt(expected.misfit)), nan_ok=True
    )


def test_a_compiler_that_fails_is_no_failure(tmp_path, monkeypatch, caplog):
    """Where the code cannot be compiled nothing is left behind, the reason is logged, and JAX solves."""
    monkeypatch.setenv("FLUXFIX_CACHE", str(tmp_path))
    monkeypatch.setattr(build, "compiler", lambda: "/bin/false")
    monkeypatch.setattr(build, "SOURCES", build.SOURCES / "nowhere")
    library.library.cache_clear()
    with caplog.at_level(logging.INFO):
        assert library.library() is None
    library.library.cache_clear()

    assert "readings are solved without native code" in caplog.text
    assert not list(tmp_path.rglob("*.so"))


def test_other_places_are_the_same_by_both_searches():
    """How far the next best place costs more is the same by native code and on the exact model."""
    rig = texts.rig(texts.changed(texts.LEVER, bits='bits = 24\naxes = "xz"'))
    fast = rig.fast
    exact = vectorised.rivals(rig.solver, fast.weights)
    calm = vectorised.make(rig.solver, fast.model, fast.weights).tensors.calm

    assert np.sum(np.isfinite(exact)) > 100
    assert np.mean((fast.native.arrays["calm"] > 0) == (calm > 0)) > 0.98
