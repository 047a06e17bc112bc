"""A foreign field solved for beside the positions, against readings of a second model."""

import numpy as np
import pytest
from scipy.stats import chi2

from fluxfix import rigfile
from fluxfix.errors import ArgumentError, UnsupportedError, UntoldFieldError
from fluxfix.facade import Build, Rig
from fluxfix.rig import assemble
from fluxfix.rig.sensing import convert
from fluxfix.status import Status
from inverse import rigs
from rig import oracle, texts

COUNT = 600
FIELD = np.array([0.5, -0.3, 0.8])
MOST_SD = 4.0
"""A single estimate may be off by this many sd: one trial in 16,000 is."""
REST_SD = 2e-3
"""Where the search rests without noise: its step is below 1e-3 sd then, and what is left no longer than that step."""
FREE = 1e-7
"""The same in mT and degrees, of a sensor whose noise is 1e-4 mT, and of equal readings."""


@pytest.fixture(scope="module")
def lever():
    """A stick of two joints over one sensor, which stands as the frame does: one spare value."""
    return texts.rig(texts.LEVER)


@pytest.fixture(scope="module")
def batch(lever):
    """Positions all over the travel, and their readings by magpylib without noise and without a foreign field."""
    positions = np.random.default_rng(21).uniform(-15.0, 15.0, (COUNT, 2))
    return positions, oracle.readings(lever.file, positions)


def converted(rig, exact, seed):
    """Readings with noise, rounded."""
    return convert(rig.sensing, exact, np.random.default_rng(seed))


def sd_of(covariance):
    """Standard deviations, along the last axis."""
    return np.sqrt(np.diagonal(covariance, axis1=-2, axis2=-1))


def test_constant_field(lever, batch):
    """A field of 1 mT is found within its sd; positions are as good as without it, and covered by what is stated."""
    positions, exact = batch
    found = lever.solve_with_foreign(converted(lever, exact + FIELD, 22), stray_mT=1.0)

    assert np.all(np.abs(found.field_mT - FIELD) <= MOST_SD * sd_of(found.field_covariance))
    assert np.all(sd_of(found.field_covariance) < 0.01)
    error = found.fixes.position - positions
    squared = np.einsum("ni,nij,nj->n", error, np.linalg.inv(found.fixes.covariance), error)
    assert np.mean(squared <= chi2.ppf(0.95, 2)) == pytest.approx(0.95, abs=3.5 * np.sqrt(0.95 * 0.05 / COUNT))
    assert np.mean(found.fixes.misfit) == pytest.approx(1.0, abs=3.5 * np.sqrt(2.0 / COUNT))
    assert np.mean(found.fixes.status == 0) > 0.99
    ignored = lever.solve(converted(lever, exact + FIELD, 22)).position - positions
    assert np.sqrt(np.mean(np.square(ignored))) > 10.0 * np.sqrt(np.mean(np.square(error)))


def test_field_is_covered_by_its_sd(lever, batch):
    """Over 40 batches of 15 samples, the field's error in its own sd is chi-square of 3 degrees of freedom."""
    _, exact = batch
    squared = []
    for k in range(40):
        found = lever.solve_with_foreign(converted(lever, exact[15 * k : 15 * k + 15] + FIELD, [23, k]), stray_mT=1.0)
        error = found.field_mT[0] - FIELD
        squared.append(error @ np.linalg.inv(found.field_covariance[0]) @ error)

    assert np.mean(squared) == pytest.approx(3.0, abs=3.5 * np.sqrt(6.0 / 40))


def test_strong_field_without_noise(batch):
    """A field of half the magnet's own is found exactly where the readings are: the search is not a first step."""
    fine = texts.rig(texts.changed(texts.LEVER, **rigs.FINE))
    positions, exact = batch
    found = fine.solve_with_foreign(exact + 20.0 * FIELD, stray_mT=20.0)

    assert found.field_mT == pytest.approx(np.tile(20.0 * FIELD, (COUNT, 1)), abs=FREE)
    assert found.fixes.position == pytest.approx(positions, abs=FREE)


def test_drifting_field(lever, batch):
    """A field that drifts straight along the batch is followed, and is no worse than its sd says."""
    _, exact = batch
    field = FIELD * np.linspace(0.4, 1.0, COUNT)[:, None]
    readings = converted(lever, exact + field, 24)
    found = lever.solve_with_foreign(readings, "drifting", stray_mT=1.0, drift_samples=150)

    ratio = (found.field_mT - field) / sd_of(found.field_covariance)
    assert np.sqrt(np.mean(np.square(ratio))) < 1.5  # five knots of three components: chi-square / 15 is below 2.25
    assert np.mean((found.fixes.status & Status.POOR_MATCH) != 0) < 0.01
    constant = lever.solve_with_foreign(readings, stray_mT=1.0)
    assert np.mean(constant.fixes.misfit) > 2.0 * np.mean(found.fixes.misfit)


def test_few_samples_lose_freedom(lever, batch):
    """Three samples of one spare value each just tell the field: nothing is left to check it by."""
    _, exact = batch
    found = lever.solve_with_foreign(converted(lever, exact[:3] + FIELD, 25), stray_mT=3.0)

    assert np.all(found.fixes.dof == 0)
    assert np.all((found.fixes.status & Status.UNCHECKED) != 0)
    assert np.all(np.abs(found.field_mT[0] - FIELD) <= MOST_SD * sd_of(found.field_covariance[0]))


def test_batch_that_cannot_tell(lever, batch):
    """One place again and again tells nothing along its dh/dq: the batch is refused with that direction."""
    _, exact = batch
    with pytest.raises(UntoldFieldError, match=r"50 samples that cannot tell .* along \(.*stray_mT = 1:"):
        lever.solve_with_foreign(converted(lever, np.repeat(exact[:1], 50, axis=0), 26), stray_mT=1.0)


def test_rig_without_a_spare_value():
    """Without a spare value every field is taken for other positions, however many samples there are."""
    folded = texts.rig(rigs.FOLDED)
    readings = oracle.readings(folded.file, np.linspace(-7.0, 9.0, 40)[:, None])
    with pytest.raises(UntoldFieldError, match="reads like other positions"):
        folded.solve_with_foreign(readings, stray_mT=1.0)


def test_flagged_samples_tell_nothing(lever, batch):
    """A missing and a saturated sample are flagged as ever, and change nothing of the field."""
    _, exact = batch
    readings = converted(lever, exact + FIELD, 27)
    broken = readings.copy()
    broken[3, 1], broken[5, 2] = np.nan, np.inf
    found = lever.solve_with_foreign(broken, stray_mT=1.0)
    kept = np.delete(np.arange(COUNT), [3, 5])
    without = lever.solve_with_foreign(readings[kept], stray_mT=1.0)

    assert found.fixes.status_words[3] == "NOT_MEASURED"
    assert "SATURATED" in found.fixes.status_words[5]
    assert found.field_mT[kept] == pytest.approx(without.field_mT, abs=FREE)
    assert found.fixes.position[kept] == pytest.approx(without.fixes.position, abs=FREE)


def test_temperature_is_found_with_the_field():
    """Where strength varies with an unmeasured temperature, it is solved for, too: the field stays within its sd."""
    text = texts.LEVER.replace(
        "remanence_mT = 1250", "remanence_mT = 1250\nremanence_temperature_coefficient_per_K = -0.002"
    )
    rig = texts.rig(text + "[surroundings]\ntemperature_C = [0, 40]\n")
    positions = np.random.default_rng(28).uniform(-15.0, 15.0, (COUNT, 2))
    # 15 K above 20 °C the magnet is 3 % weaker.
    exact = 0.97 * oracle.readings(rig.file, positions)
    found = rig.solve_with_foreign(converted(rig, exact + FIELD, 29), stray_mT=1.0)

    assert np.all(np.abs(found.field_mT - FIELD) <= MOST_SD * sd_of(found.field_covariance))
    error = found.fixes.position - positions
    squared = np.einsum("ni,nij,nj->n", error, np.linalg.inv(found.fixes.covariance), error)
    assert np.mean(squared) < 2.0 * 1.5  # chi-square of two joints, with an error that is common to the batch


def test_riding_sensor():
    """A sensor that goes round under a fixed magnet sees a constant field turn: it is found, exactly without noise."""
    text = rigs.KNOB.replace('name = "magnet"', 'name = "magnet"\nrides = "frame"').replace(
        'name = "board"', 'name = "board"\nrides = "turn"\nposition_mm = [3, 1, 0]'
    )
    positions = np.linspace(0.0, 350.0, 36)[:, None]
    there = rigfile.parse(text + f"[surroundings]\nambient_mT = {FIELD.tolist()}\n", source="there.toml")
    found = texts.rig(text).solve_with_foreign(oracle.readings(there, positions), stray_mT=1.0)

    assert np.all(np.abs(found.field_mT - FIELD) <= REST_SD * sd_of(found.field_covariance))
    assert np.all(np.abs(found.fixes.position - positions) <= REST_SD * found.fixes.sd)


def test_calibration_limits_the_field_alone(lever, batch):
    """An offset that a calibration knows to ± 0.3 mT reads like a field, which is known no better; fixes are as good.

    The sensor stands as the frame does, so that its offset along x is a field along x exactly.
    """
    _, exact = batch
    (offset,) = assemble.by_address(lever.file, ["sensor.board.offset_mT.x"])
    built = Rig(lever.file, Build((offset,), np.zeros(1), np.array([[0.09]])))
    readings = converted(lever, exact[:60] + FIELD, 30)
    plain, found = (one.solve_with_foreign(readings, stray_mT=1.0) for one in (lever, built))

    added = found.field_covariance[0] - plain.field_covariance[0]
    assert added == pytest.approx(np.diag([0.09, 0.0, 0.0]), abs=1e-9)
    assert found.fixes.covariance == pytest.approx(plain.fixes.covariance, rel=1e-6, abs=1e-12)


@pytest.mark.parametrize(
    ("foreign", "options", "says"),
    [
        ("steady", {"stray_mT": 1.0}, "got foreign = 'steady'"),
        ("constant", {}, "got no stray_mT"),
        ("constant", {"stray_mT": 0.0}, "stray_mT = 0.0"),
        ("constant", {"stray_mT": 1.0, "drift_samples": 5}, "of a constant field"),
        ("drifting", {"stray_mT": 1.0, "drift_samples": 0}, "drift_samples = 0"),
    ],
)
def test_mistakes(foreign, options, says, lever, batch):
    """An argument that makes no sense is told in a sentence."""
    with pytest.raises(ArgumentError, match=says):
        lever.solve_with_foreign(batch[1], foreign, **options)


def test_drift_seen_by_a_riding_sensor():
    """A field that drifts is refused where a sensor rides on a joint, and said why."""
    text = texts.LEVER.replace('name = "board"', 'name = "board"\nrides = "first"').replace(
        'name = "magnet"\n', 'name = "magnet"\nrides = "second"\n', 1
    )
    with pytest.raises(UnsupportedError, match="board rides on first"):
        texts.rig(text).solve_with_foreign(np.zeros((4, 3)), "drifting", stray_mT=1.0)
