"""Every figure as SVG and PNG."""

import importlib
import re
import subprocess
import sys
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from matplotlib.figure import Figure
from scipy.stats import norm

from fluxfix import figures
from fluxfix.errors import ArgumentError
from fluxfix.figures.error_map import cell_maxima

NAMES = "{http://www.w3.org/2000/svg}"
SMALL_BYTES = 120_000  # a page of 15 figures then stays below 2 MB


def _field(joint="tilt-x", sensors=("board",), stops=9):
    x, at = np.linspace(-18.0, 18.0, 60), np.linspace(-18.0, 18.0, stops)
    columns = [f"{sensor}.{axis}_mT" for sensor in sensors for axis in "xyz"]
    model = np.stack([np.sin(x / 9.0 + k) for k in range(len(columns))], axis=1)
    return figures.field_curve(
        joint,
        "deg",
        columns,
        positions=x,
        model_mT=30.0 * model,
        nominal_mT=29.0 * model,
        stop_positions=at,
        stop_mT=np.ones((stops, len(columns))),
    )


def _held_out(d=2, k=12):
    rng = np.random.default_rng(1)
    error = 0.02 * rng.normal(size=(k, d))
    error[0, 0] = np.nan
    return figures.held_out_errors(
        [f"joint-{j}" for j in range(d)],
        ["deg", "mm", "deg"][:d],
        reference=rng.uniform(-10.0, 10.0, (k, d)),
        error=error,
        error_before=error + 1.0,
        sd=np.full((k, d), 0.02),
    )


def _sweep(n=5_000, foreign=(1.0, 1.4), limit=13.8, misfit=None, units=("mm",)):
    rng = np.random.default_rng(2)
    t = np.arange(n) * 5e-4
    misfit = rng.chisquare(2, n) if misfit is None else misfit
    position = np.stack([10.0 * np.sin(t + k) for k in range(len(units))], axis=1)
    position[n // 2 : n // 2 + 20] = np.nan
    return figures.sweep(
        [f"joint-{j}" for j in range(len(units))],
        units,
        t_s=t,
        position=position,
        misfit=misfit,
        limit=limit,
        poor_match=misfit > limit,
        foreign=foreign,
    )


def _map(d=2):
    axes = [np.linspace(-10.0, 10.0, 21 if d > 1 else 400)] * d
    at = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, d)
    error = 0.08 * np.sin(at)
    return figures.error_map(
        [f"joint-{j}" for j in range(d)],
        ["deg"] * d,
        positions=at,
        error_percent=error,
        bound_percent=np.abs(error).max(axis=0),
    )


def _rates(d=2, reachable=5, tracked=False):
    at = np.array([100.0, 300.0, 1e3, 3e3, 1e4, 3e4])
    noise, lag = np.outer(1e-4 * np.sqrt(at), np.ones(d)), np.outer(30.0 / at, np.ones(d))
    return figures.rates(
        [f"joint-{j}" for j in range(d)],
        ["mm"] * d,
        rates_hz=at,
        noise=noise,
        lag=lag,
        total=np.hypot(noise, lag),
        reachable=np.arange(6) < reachable,
        tracked=0.5 * noise + 0.1 * lag if tracked else None,
    )


def _residuals(d=1, columns=("board.x_mT", "board.y_mT", "board.z_mT")):
    rng = np.random.default_rng(4)
    return figures.residuals(
        [f"joint-{j}" for j in range(d)],
        ["mm"] * d,
        reference=rng.uniform(0.0, 1.0, (20, d)),
        columns=columns,
        residuals_mT=rng.normal(size=(20, len(columns))),
        sd_mT=np.ones((20, len(columns))),
    )


def _travel(d=2, shown=2, pair=False, smallest=False):
    at = np.stack([part.reshape(-1) for part in np.meshgrid(*[np.linspace(-4.0, 4.0, 7)] * d)], axis=-1)
    values = 1.0 + np.sum(np.square(at), axis=1)
    values[0] = np.inf
    return figures.travel_map(
        [f"joint-{j}" for j in range(d)],
        ["deg", "mm", "deg"][:d],
        positions=at,
        shown=[figures.Shown(f"panel {k}", "noise sd", values, smallest, 12.0) for k in range(shown)],
        pair=([0.0] * d, [2.0] * d) if pair else None,
    )


def _parameters(p=25, deviation=1.0):
    rng = np.random.default_rng(6)
    sd = rng.uniform(0.05, 1.0, p)
    return figures.parameters(
        [f"magnet.stick-magnet-{k}.position_mm.x" for k in range(p)],
        deviation=deviation * rng.normal(size=p),
        sd=sd,
        prior_sd=np.ones(p),
        determined=sd < 0.9,
    )


def _coverage(d=2, k=49):
    z = np.random.default_rng(7).normal(size=(k, d))
    return figures.coverage([f"joint-{j}" for j in range(d)], ["deg"] * d, normalised=z)


CASES = {
    "field": _field,
    "field, two sensors": lambda: _field(sensors=("left", "right")),
    "field, no stops": lambda: _field(stops=0),
    "held out, one joint": lambda: _held_out(1),
    "held out, two joints": _held_out,
    "held out, three joints": lambda: _held_out(3),
    "sweep": _sweep,
    "sweep, two units": lambda: _sweep(units=("deg", "mm")),
    "sweep, short": lambda: _sweep(n=50, foreign=None),
    "sweep, one sample": lambda: _sweep(n=1, foreign=None),
    "sweep, dof 0": lambda: _sweep(misfit=np.zeros(5_000), limit=np.nan, foreign=None),
    "sweep, misfit NaN": lambda: _sweep(misfit=np.full(5_000, np.nan), foreign=None),
    "map, one joint": lambda: _map(1),
    "map, two joints": _map,
    "map, three joints": lambda: _map(3),
    "travel, one joint": lambda: _travel(1),
    "travel, one joint with a pair": lambda: _travel(1, 1, pair=True, smallest=True),
    "travel, two joints": _travel,
    "travel, two joints with a pair": lambda: _travel(2, 1, pair=True, smallest=True),
    "travel, three joints": lambda: _travel(3, 3),
    "rates": _rates,
    "rates, one joint": lambda: _rates(1),
    "rates, tracked": lambda: _rates(tracked=True),
    "rates, none reachable": lambda: _rates(1, 0),
    "residuals": _residuals,
    "parameters": _parameters,
    "parameters, one alone and far off": lambda: _parameters(1, 40.0),
    "coverage": _coverage,
    "coverage, one error": lambda: _coverage(1, 1),
    "residuals, two joints and five values": lambda: _residuals(2, ("a.x", "a.y", "a.z", "b.x", "b.z")),
}


@pytest.fixture(scope="module", params=CASES)
def drawn(request):
    """The case and its SVG."""
    return CASES[request.param], figures.to_svg(CASES[request.param]())


def test_svg_is_one_well_formed_element(drawn):
    """An XML parser reads it; the root is svg with a view box, and nothing stands before it."""
    root = ET.fromstring(drawn[1])  # noqa: S314 our own output

    assert root.tag == f"{NAMES}svg"
    assert root.get("viewBox")
    assert drawn[1].startswith("<svg ")


def test_svg_is_small_and_stands_alone(drawn):
    """No address but the namespaces, no date, no style for the page around it; ids are there only where referred to."""
    svg = drawn[1]

    assert set(re.findall(r"https?://[^\"']*", svg)) <= {"http://www.w3.org/2000/svg", "http://www.w3.org/1999/xlink"}
    assert "<style" not in svg
    assert "<metadata" not in svg
    assert len(svg) < SMALL_BYTES
    assert set(re.findall(r' id="([^"]*)"', svg)) == set(re.findall(r'(?:url\(#|href="#)([^")]*)', svg))


def test_equal_input_gives_equal_bytes(drawn):
    """Drawn again from fresh arrays, every byte is the same."""
    make, svg = drawn

    assert figures.to_svg(make()) == svg


def test_text_stays_text():
    """Labels and units can be searched, and carry the ° of their unit."""
    root = ET.fromstring(figures.to_svg(_field()))  # noqa: S314 our own output
    words = {"".join(text.itertext()) for text in root.iter(f"{NAMES}text")}

    assert {"tilt-x (°)", "flux density (mT)", "Bx", "By", "Bz", "calibrated model", "model as drawn"} <= words


def test_coverage_of_errors_as_predicted():
    """Of errors at the normal distribution's quantiles (scipy) as many lie inside as should: the curve is the line."""
    z = norm.ppf((np.arange(2000) + 0.5) / 2000)[:, None]
    painted = Figure()
    figures.coverage(["tilt-x"], ["deg"], normalised=z).paint(painted)
    share, seen = painted.axes[0].get_lines()[-1].get_data()

    assert np.max(np.abs(np.asarray(seen) - np.asarray(share))) <= 0.1  # percent: one in a thousand


def test_names_are_escaped():
    """A joint's name with signs of XML or of formulas is shown as it is typed."""
    svg = figures.to_svg(_field(joint='a<b>&"c" $x$'))
    words = {"".join(text.itertext()) for text in ET.fromstring(svg).iter(f"{NAMES}text")}  # noqa: S314 our own

    assert any(word.startswith('a<b>&"c"') and "$x$" in word for word in words)


def test_png_has_the_width_asked_for():
    """The header of the PNG tells width_in times dpi, and equal input gives equal bytes."""
    png = figures.to_png(_rates(), dpi=100.0)

    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    assert int.from_bytes(png[16:20], "big") == 840
    assert png == figures.to_png(_rates(), dpi=100.0)


def test_long_sweep_stays_small():
    """A hundred thousand samples take no more room than a picture needs."""
    assert len(figures.to_svg(_sweep(n=100_000))) < SMALL_BYTES


def test_settings_of_the_process_are_left_alone():
    """A user's own settings neither change a figure nor are changed by one."""
    mpl = importlib.import_module("matplotlib")

    plain = figures.to_svg(_rates())
    with mpl.rc_context({"font.size": 31.0, "axes.facecolor": "black", "svg.hashsalt": "other"}):
        assert figures.to_svg(_rates()) == plain
        assert mpl.rcParams["font.size"] == 31.0
        assert mpl.rcParams["svg.hashsalt"] == "other"


def test_map_keeps_the_largest_error_of_each_cell():
    """Merged cells hold the largest magnitude among their points, wherever it lies."""
    rng = np.random.default_rng(5)
    x, y, error = rng.uniform(0.0, 1.0, 5_000), rng.uniform(0.0, 1.0, 5_000), rng.normal(size=5_000)
    error[123] = -50.0

    edges_x, edges_y, cells = cell_maxima(x, y, error)

    column, row = np.searchsorted(edges_x, x[123]) - 1, np.searchsorted(edges_y, y[123]) - 1
    assert cells[row, column] == 50.0
    assert np.nanmax(cells) == 50.0


def test_map_of_a_grid_has_a_cell_a_point():
    """A regular grid is shown as it is: one cell around each point."""
    x, y = (part.ravel() for part in np.meshgrid([0.0, 1.0, 2.0], [0.0, 10.0], indexing="ij"))
    error = np.array([1.0, -2.0, 3.0, -4.0, 5.0, -6.0])

    edges_x, edges_y, cells = cell_maxima(x, y, error)

    np.testing.assert_allclose(edges_x, [-0.5, 0.5, 1.5, 2.5])
    np.testing.assert_allclose(edges_y, [-5.0, 5.0, 15.0])
    np.testing.assert_allclose(cells, [[1.0, 3.0, 5.0], [2.0, 4.0, 6.0]])


def test_wrong_shape_is_refused_with_one_sentence():
    """The message says which array, what was got and what is needed."""
    with pytest.raises(ArgumentError, match=r"got error_before of shape \(3, 2\), the figure needs \(4, 2\)"):
        figures.held_out_errors(
            ["a", "b"],
            ["deg", "deg"],
            reference=np.zeros((4, 2)),
            error=np.zeros((4, 2)),
            error_before=np.zeros((3, 2)),
            sd=np.ones((4, 2)),
        )


def test_importing_figures_loads_neither_matplotlib_nor_jax():
    """In a fresh process, figures come without the libraries that are slow to load."""
    code = "import fluxfix.figures, sys; print(sorted({'matplotlib', 'jax'} & set(sys.modules)))"

    assert (
        subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout.strip() == "[]"
    )
