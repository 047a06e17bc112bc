"""The numbers that a table states, against positions, noise and closed forms that its making did not use."""

import numpy as np
import pytest

from fluxfix.status import Status
from fluxfix.table import ErrorTarget, Table, build
from table.models import PROBLEMS, dipole_problem, slider_problem, stick_problem

RANDOM_POSITIONS = 150_000

MONTE_CARLO_REL = 0.02
"""200,000 draws tell an sd to 0.16 %; the rest is the curvature of the table, seen by noise of a finite size."""


def random_positions(table: Table, count: int, seed: int) -> np.ndarray:
    """Positions spread evenly over the travel."""
    low = np.array([joint.low for joint in table.joints])
    span = np.array([joint.span for joint in table.joints])
    return low + span * np.random.default_rng(seed).random((count, len(table.joints)))


@pytest.mark.parametrize("name", sorted(PROBLEMS))
def test_stated_error_holds_at_random_positions(name: str, tables: dict[str, Table]) -> None:
    """Readings of random positions come back within the stated error, none withheld, with the stated rms."""
    table = tables[name]
    truth = random_positions(table, RANDOM_POSITIONS, seed=99)

    error = np.abs(table.positions(PROBLEMS[name]().readings(truth)) - truth)

    bound = np.array([table.error_bound[joint.name] for joint in table.joints])
    rms = np.array([table.rms_error[joint.name] for joint in table.joints])
    assert (error.max(axis=0) <= bound).all()
    assert (error.max(axis=0) >= bound * 0.8).all()  # nor is the statement padded
    found = np.array([table.largest_found[joint.name] for joint in table.joints])
    assert ((0.8 * bound <= found) & (found <= bound)).all()
    np.testing.assert_allclose(np.sqrt((error**2).mean(axis=0)), rms, rtol=0.05)
    assert table.positions_checked >= 60_000


def test_sizes_at_a_tenth_of_a_percent(tables: dict[str, Table]) -> None:
    """Two tilts fit 144 B and the slide 64 B at 0.1 % of the span (project targets; sizes of coefficients)."""
    for name, most in (("stick", 144), ("slider", 64)):
        assert tables[name].bytes <= most
        assert max(tables[name].error_bound_percent.values()) <= 0.1


@pytest.mark.parametrize(("percent", "most"), [(1.0, 64), (0.02, 400)])
def test_other_targets_of_the_stick(percent: float, most: int) -> None:
    """A loose target gives a smaller table, a tight one a larger, each within its target."""
    table = build(stick_problem(), ErrorTarget(percent))

    assert table.bytes <= most
    assert max(table.error_bound_percent.values()) <= percent


def test_target_in_the_joints_unit() -> None:
    """0.024 mm of 24 mm is 0.1 percent: the same table."""
    assert build(slider_problem(), ErrorTarget(0.024, "mm")).files() == build(slider_problem()).files()


@pytest.mark.parametrize("name", ["stick", "slider"])
def test_noise_sd_against_monte_carlo(name: str, tables: dict[str, Table]) -> None:
    """The rms scatter of noisy readings through the twin is the stated one."""
    table, problem = tables[name], PROBLEMS[name]()
    inset = 0.05  # of the span: nearer to its ends noise carries samples out of the travel, which are withheld
    places = inset + (1.0 - 2.0 * inset) * np.random.default_rng(3).random((200_000, len(table.joints)))
    truth = problem.low + places * problem.span
    clean = problem.readings(truth)
    noisy = clean + np.random.default_rng(4).normal(0.0, problem.noise_mT, clean.shape)

    scatter = table.positions(noisy) - table.positions(clean)
    predicted = predicted_scatter(name, truth)

    assert np.isfinite(scatter).all(axis=1).mean() > 0.999
    np.testing.assert_allclose(np.sqrt(np.nanmean(scatter**2, axis=0)), predicted, rtol=MONTE_CARLO_REL)
    whole = predicted_scatter(name, random_positions(table, 200_000, seed=7))
    np.testing.assert_allclose(list(table.noise_sd.values()), whole, rtol=MONTE_CARLO_REL)


@pytest.mark.parametrize(("name", "price"), [("stick", 1.06), ("slider", 2.3)])
def test_price_of_being_blind_to_strength(name: str, price: float, tables: dict[str, Table]) -> None:
    """The noise is that of free strength, and so much above that of known strength (figures of a trial)."""
    table = tables[name]
    free = predicted_scatter(name, random_positions(table, 20_000, seed=7))

    assert (np.array(list(table.noise_sd.values())) <= 1.05 * free).all()
    np.testing.assert_allclose(list(table.noise_over_known_strength.values()), price, rtol=0.03)


def predicted_scatter(name: str, truth: np.ndarray) -> np.ndarray:
    """Cramér–Rao bound with free strength (Kay, Estimation Theory, 1993, ch. 3): the best that is blind to strength."""
    problem = PROBLEMS[name]()
    some = truth[:: len(truth) // 2000]
    readings = problem.readings(some)
    step = 1e-4
    columns = [readings]
    for joint in range(some.shape[1]):
        shift = np.zeros(some.shape[1])
        shift[joint] = step
        columns.append((problem.readings(some + shift) - problem.readings(some - shift)) / (2.0 * step))
    jacobian = np.stack(columns, axis=2) / problem.noise_mT[:, None]
    covariance = np.linalg.inv(np.swapaxes(jacobian, 1, 2) @ jacobian)
    return np.sqrt(np.einsum("nii->ni", covariance)[:, 1:].mean(axis=0))


def test_dipole_by_its_closed_form(tables: dict[str, Table]) -> None:
    """Where a dipole's field points a given way is known in closed form, and the table finds that position.

    Dipole along x at height h: tan(field angle) = 3 t / (2 t² - 1) with t = x / h, solved for t (Jackson, eq. 5.56).
    """
    table = tables["dipole"]
    angles = np.radians(np.array([20.0, 60.0, 100.0, 200.0, 250.0]))
    slope = np.tan(angles)
    root = np.sqrt(9.0 + 8.0 * slope**2)
    positions = []
    fields = []
    for sign in (1.0, -1.0):
        t = (3.0 + sign * root) / (4.0 * slope)
        positions.append(8.0 * t)
        fields.append(np.stack([2.0 * t**2 - 1.0, 3.0 * t], axis=1) * 25.0 / (1.0 + t[:, None] ** 2) ** 2.5)
    truth, readings = np.concatenate(positions), np.concatenate(fields)
    inside = np.abs(truth) <= 10.0

    found = table.positions(readings)[:, 0]

    assert inside.sum() >= 5
    np.testing.assert_allclose(found[inside], truth[inside], atol=0.001 * 20.0)


def test_strength_does_not_matter(tables: dict[str, Table]) -> None:
    """A magnet 10 % weaker or stronger gives the same positions, within the stated error; 40 % off is flagged."""
    table = tables["stick"]
    truth = random_positions(table, 20_000, seed=8)
    readings = stick_problem().readings(truth)
    bound = np.array(list(table.error_bound.values()))
    for strength in (0.9, 1.1):
        error = np.abs(table.positions(strength * readings) - truth)
        assert (error.max(axis=0) <= bound * 1.1).all()  # coarser counts at 0.9
    centre = stick_problem().readings(np.zeros((1, 2)))
    edge = stick_problem().readings(np.full((1, 2), 18.0))
    assert table.evaluate(table.counts(1.4 * centre))[1][0] & Status.STRONG_FIELD
    assert table.evaluate(table.counts(0.6 * edge))[1][0] & Status.WEAK_FIELD


@pytest.mark.parametrize("beyond", [1.0, 2.0, 3.0])
def test_overruns_are_flagged(beyond: float, tables: dict[str, Table]) -> None:
    """A stick pushed 1 to 3 degrees beyond its travel is flagged nine times of ten, and read rightly otherwise."""
    table = tables["stick"]
    rng = np.random.default_rng(12)
    truth = rng.uniform(-18.0, 18.0, (20_000, 2))
    joint = rng.integers(0, 2, len(truth))
    truth[np.arange(len(truth)), joint] = np.where(rng.random(len(truth)) < 0.5, -1.0, 1.0) * (18.0 + beyond)

    found = table.positions(stick_problem().readings(truth))

    withheld = np.isnan(found[:, 0])
    assert withheld.mean() >= 0.9
    if not withheld.all():
        assert np.abs(found - truth)[~withheld].max() <= 2.0 * max(table.error_bound.values())


def test_foreign_field_on_the_spare_axis_is_flagged(tables: dict[str, Table]) -> None:
    """3 mT across the slide, which the position is not made from, raises POOR_MATCH everywhere; else nothing is."""
    table = tables["slider"]
    readings = slider_problem().readings(random_positions(table, 2_000, seed=1))

    quiet = table.evaluate(table.counts(readings))[1]
    disturbed = table.evaluate(table.counts(readings + np.array([0.0, 3.0, 0.0])))[1]

    assert not quiet.any()
    assert (disturbed & Status.POOR_MATCH).all()


def test_dipole_problem_needs_the_fold() -> None:
    """Both axes of the long slide change their sign, so its table is of the folded direction."""
    readings = dipole_problem().readings(np.linspace(-10.0, 10.0, 101)[:, None])

    assert (readings.min(axis=0) < 0.0).all()
    assert (readings.max(axis=0) > 0.0).all()
    assert build(dipole_problem()).form == "direction-quadratic"
