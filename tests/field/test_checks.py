"""The check cases of tests/data/checks.json that the field functions can compute, in their own metre and tesla.

Each case carries its source, its value to 30 digits and its own tolerance; where it also states a stretch tolerance,
that one is asked for too.
"""

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jax
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import brentq

from fluxfix import field

Case = dict[str, Any]
CASES: dict[str, Case] = {
    case["id"]: case for case in json.loads((Path(__file__).parents[1] / "data" / "checks.json").read_text())
}
# Kinds about readings, materials and estimates; their tests are elsewhere.
OTHER_KINDS = {"angle", "estimation", "inverse", "material", "sensing_fact", "measured_dataset"}

PER_COMPONENT_FLOOR = 1e-300  # an expected zero must come out as zero, or as less than any real field


def _field(inputs: Case, points: Any, polarization: Any) -> NDArray[np.float64]:
    points = np.atleast_2d(np.asarray(points, dtype=float))
    return np.asarray(_function(inputs)(points, polarization))


def _function(inputs: Case) -> Callable[..., jax.Array]:
    shape = inputs["shape"]
    if shape == "cylinder":
        return lambda p, j: field.cylinder(p, inputs["diameter_m"], inputs["height_m"], j)
    if shape == "ring":
        return lambda p, j: field.ring(p, inputs["inner_diameter_m"], inputs["outer_diameter_m"], inputs["height_m"], j)
    if shape == "cuboid":
        return lambda p, j: field.block(p, inputs["size_m"], j)
    if shape == "segment":
        sizes = (2.0 * inputs["inner_radius_m"], 2.0 * inputs["outer_radius_m"], inputs["height_m"])
        return lambda p, j: field.segment(p, *sizes, inputs["phi1_deg"], inputs["phi2_deg"], j)
    assert shape == "sphere"
    return lambda p, j: field.sphere(p, inputs["diameter_m"], j)


def _one_cylinder(point: jax.Array, size: jax.Array, polarization: jax.Array) -> jax.Array:
    return field.cylinder(point[None], size[0], size[1], polarization)[0]


def _one_ring(point: jax.Array, size: jax.Array, polarization: jax.Array) -> jax.Array:
    return field.ring(point[None], size[0], size[1], size[2], polarization)[0]


def _one_block(point: jax.Array, size: jax.Array, polarization: jax.Array) -> jax.Array:
    return field.block(point[None], size, polarization)[0]


def _one_sphere(point: jax.Array, size: jax.Array, polarization: jax.Array) -> jax.Array:
    return field.sphere(point[None], size, polarization)[0]


GRADIENTS = {
    "cylinder": jax.jit(jax.jacfwd(_one_cylinder)),
    "ring": jax.jit(jax.jacfwd(_one_ring)),
    "cuboid": jax.jit(jax.jacfwd(_one_block)),
    "sphere": jax.jit(jax.jacfwd(_one_sphere)),
}
DIMENSIONS = {
    "cylinder": ("diameter_m", "height_m"),
    "ring": ("inner_diameter_m", "outer_diameter_m", "height_m"),
    "cuboid": ("size_m",),
    "sphere": ("diameter_m",),
}


def _gradient(inputs: Case) -> NDArray[np.float64]:
    shape = inputs["shape"]
    size = np.squeeze([inputs[key] for key in DIMENSIONS[shape]])
    point, polarization = np.asarray(inputs["point_m"]), np.asarray(inputs["polarization_T"])
    return np.asarray(GRADIENTS[shape](point, size, polarization))


def _relative(got: Any, expected: Any) -> float:
    expected = np.asarray(expected, dtype=float)
    return float(np.linalg.norm(np.asarray(got) - expected) / np.linalg.norm(expected))


def relative_error(case: Case) -> float:
    """Largest error of a case relative to what it expects (absolute where it expects zero)."""
    return ERRORS.get(case["id"], BY_KIND.get(case["kind"], _no_such_case))(case["inputs"], case["expected"])


def _no_such_case(_inputs: Case, _expected: Case) -> float:
    pytest.fail("no computation is given for this kind of case")


def _at_point(inputs: Case, expected: Case) -> float:
    return _relative(_field(inputs, inputs["point_m"], inputs["polarization_T"])[0], expected["B_T"])


def _on_axis(inputs: Case, expected: Case) -> float:
    height = {"cylinder": "height_m", "ring": "height_m", "sphere": "diameter_m"}.get(inputs["shape"])
    length = inputs[height] if height else inputs["size_m"][2]
    point = [0.0, 0.0, 0.5 * length + inputs["gap_from_pole_face_m"]]
    b = _field(inputs, point, inputs["polarization_T"])[0]
    return max(_relative(b["xyz".index(key[1])], value) for key, value in expected.items())


def _sign_change(inputs: Case, expected: Case) -> float:
    """Where a ring's field on its axis changes its sign, by bisection, and the field at its centre."""

    def axial(z: float) -> float:
        return float(_field(inputs, [0.0, 0.0, z], inputs["polarization_T"])[0, 2])

    zero = brentq(axial, 0.0, 2.0 * inputs["height_m"], xtol=1e-16)
    return max(_relative(zero, expected["z_zero_m"]), _relative(axial(0.0), expected["Bz_at_centre_T"]))


def _slope(inputs: Case, expected: Case) -> float:
    return _relative(_gradient(inputs), expected["dBi_dxj_T_per_m"])


def _rotation(axis: Any, angle_deg: float) -> NDArray[np.float64]:
    """Rodrigues' formula."""
    x, y, z = np.asarray(axis, dtype=float) / np.linalg.norm(axis)
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    angle = np.deg2rad(angle_deg)
    return np.eye(3) + np.sin(angle) * cross + (1.0 - np.cos(angle)) * cross @ cross


def _pose(inputs: Case, expected: Case) -> float:
    """A magnet placed by the case's rotation; a lever's rotation places its centre too."""
    rotation, centre = np.eye(3), np.asarray(inputs["magnet_centre_m"], dtype=float)
    if "tilt_deg" in inputs:
        rx, ry = inputs["tilt_deg"]
        rotation = _rotation([1, 0, 0], rx) @ _rotation([0, 1, 0], ry)
        centre = np.asarray(inputs["pivot_m"]) + rotation @ [0.0, 0.0, -inputs["lever_m"]]
    elif turned := re.match(r"R([yz])\((\d+) deg\) active", inputs["magnet_rotation"]):
        rotation = _rotation(np.eye(3)["xyz".index(turned[1])], float(turned[2]))
    local = rotation.T @ (np.asarray(inputs["sensor_point_m"]) - centre)
    b = rotation @ _field(inputs, local, inputs["polarization_T_in_magnet_frame"])[0]
    return _relative(b, expected["B_T"])


def _two_halves(inputs: Case, expected: Case) -> float:
    j, point = inputs["polarization_T"], np.asarray(inputs["point_m"])
    full = np.asarray(field.block(point[None], inputs["full_size_m"], j))[0]
    parts = sum(
        np.asarray(field.block((point - centre)[None], inputs["half_size_m"], j))[0]
        for centre in inputs["half_centres_m"]
    )
    return max(_relative(full, expected["B_full_T"]), _relative(parts, expected["B_sum_T"]), _relative(parts, full))


def _ring_from_two(inputs: Case, expected: Case) -> float:
    point, j = np.atleast_2d(inputs["point_m"]), inputs["polarization_T"]
    outer = np.asarray(field.cylinder(point, inputs["outer_diameter_m"], inputs["height_m"], j))[0]
    core = np.asarray(field.cylinder(point, inputs["inner_diameter_m"], inputs["height_m"], j))[0]
    return max(
        _relative(outer, expected["B_outer_T"]),
        _relative(core, expected["B_core_T"]),
        _relative(outer - core, expected["B_ring_T"]),
        _relative(_field({"shape": "ring", **inputs}, inputs["point_m"], j)[0], expected["B_ring_T"]),
    )


def _no_sources(_inputs: Case, _expected: Case) -> float:
    worst = 0.0
    for case in CASES.values():
        if case["kind"] == "gradient":
            g = _gradient(case["inputs"])
            worst = max(worst, abs(np.trace(g)) / np.linalg.norm(g), np.linalg.norm(g - g.T) / np.linalg.norm(g))
    return worst


def _turned(inputs: Case, expected: Case) -> float:
    rotation, shape = _rotation([1, 2, 3], 40.0), {"shape": "cuboid", **inputs}
    point = rotation @ np.asarray(inputs["point_m"])
    plain = _field(shape, inputs["point_m"], inputs["polarization_T"])[0]
    turned = rotation @ _field(shape, rotation.T @ point, inputs["polarization_T"])[0]
    return max(
        _relative(point, expected["rotated_point_m"]),
        _relative(plain, expected["B_unrotated_T"]),
        _relative(turned, expected["B_rotated_T"]),
    )


def _scaled(inputs: Case, expected: Case) -> float:
    scale = inputs["scale"]
    large = {**inputs, **{key: inputs[key] * scale for key in ("diameter_m", "height_m")}}
    large["point_m"] = [scale * v for v in inputs["point_m"]]
    return max(_at_point(large, expected), _relative(scale * _gradient(large), _gradient(inputs)))


def _across_face(inputs: Case, expected: Case) -> float:
    z = 0.5 * inputs["height_m"]
    points = [[inputs["rho_m"], 0.0, z + inputs["eps_m"]], [inputs["rho_m"], 0.0, z - inputs["eps_m"]]]
    above, below = _field(inputs, points, inputs["polarization_T"])
    return max(_relative(above, expected["B_above_T"]), _relative(below, expected["B_below_T"]))


def _cube_centre(inputs: Case, expected: Case) -> float:
    b = _field({"shape": "cuboid", **inputs}, inputs["point_m"], inputs["polarization_T"])[0]
    return _relative(b, [0.0, 0.0, expected["Bz_T"]])


def _fem_points(inputs: Case) -> NDArray[np.float64]:
    points = np.asarray(inputs["points"]) - inputs["centre"]
    sizes = (2.0 * inputs["inner_radius"], 2.0 * inputs["outer_radius"], inputs["height"], *inputs["phi_deg"])
    return np.asarray(field.segment(points, *sizes, inputs["polarization_T"]))


def _largest(got: NDArray[np.float64], expected: Any) -> float:
    return max(_relative(b, e) for b, e in zip(got, expected, strict=True))


def _finite_elements(inputs: Case, expected: Case) -> float:
    return _largest(_fem_points(inputs), expected["B_FEM_T"])


def _long_rod(inputs: Case, expected: Case) -> float:
    return _relative(_field(inputs, inputs["point_m"], inputs["polarization_T"])[0], [0.0, 0.0, expected["Bz_T"]])


def _dipole_error(inputs: Case, expected: Case) -> float:
    """How far the point dipole (Jackson, Classical Electrodynamics, eq. 5.56) is from the field, at each distance."""
    points, j = np.asarray(inputs["points_m"]), np.asarray(inputs["polarization_T"])
    volume = 0.25 * np.pi * inputs["diameter_m"] ** 2 * inputs["height_m"]
    distance = np.linalg.norm(points, axis=1)[:, None]
    unit = points / distance
    dipole = volume * (3.0 * unit * (unit @ j)[:, None] - j) / (4.0 * np.pi * distance**3)
    b = _field(inputs, points, j)
    errors = np.linalg.norm(b - dipole, axis=1) / np.linalg.norm(b, axis=1)
    return max(_relative(one, other) for one, other in zip(errors, expected["dipole_rel_error"], strict=True))


def _half_across(inputs: Case, expected: Case) -> float:
    point, j = inputs["point_m"], inputs["J_T"]
    along = _field(inputs, point, [0.0, 0.0, j])[0, 2]
    across = _field(inputs, point, [j, 0.0, 0.0])[0, 0]
    return max(
        _relative(along, expected["Bz_axial_T"]),
        _relative(across, expected["Bx_diametral_T"]),
        _relative(across / along, expected["ratio"]),
    )


BY_KIND = {
    "on_axis_closed_form": _on_axis,
    "field_cylinder_axial": _at_point,
    "field_cylinder_diametral": _at_point,
    "field_cylinder_arbitrary": _at_point,
    "field_ring": _at_point,
    "field_cuboid": _at_point,
    "field_sphere": _at_point,
    "field_ring_segment": _at_point,
    "finite_element": _finite_elements,
    "gradient": _slope,
    "pose": _pose,
}
ERRORS = {
    "ONAX-12": _sign_change,
    "IDEN-01": _two_halves,
    "IDEN-02": _ring_from_two,
    "IDEN-04": _dipole_error,
    "IDEN-06": _no_sources,
    "IDEN-07": _turned,
    "IDEN-09": _scaled,
    "IDEN-10": _across_face,
    "IDEN-12": _cube_centre,
    "IDEN-14": _half_across,
    "IDEN-15": _long_rod,
}
RUN = [name for name, case in CASES.items() if case["kind"] not in OTHER_KINDS]


@pytest.mark.parametrize("name", RUN)
def test_case(name: str) -> None:
    """The error stays within the case's own tolerance, and within its stretch tolerance where it has one."""
    case = CASES[name]
    limits = [case["tolerance"][key] for key in ("rel", "stretch_rel", "abs") if key in case["tolerance"]]

    assert limits
    assert relative_error(case) <= min(limits)


def test_small_components() -> None:
    """CYLA-06: 1 pm off the axis even the tiny radial component is right by itself, as its case demands."""
    case = CASES["CYLA-06"]
    got = _field(case["inputs"], case["inputs"]["point_m"], case["inputs"]["polarization_T"])[0]

    np.testing.assert_allclose(
        got, case["expected"]["B_T"], rtol=case["tolerance"]["per_component_rel"], atol=PER_COMPONENT_FLOOR
    )


def test_finite_elements_case_against_quadrature() -> None:
    """FEM-01: finite elements are right to a hundredth; at the same points the case has values to 1e-9."""
    case = CASES["FEM-01"]
    error = _largest(_fem_points(case["inputs"]), case["expected"]["B_quadrature_T"])

    assert error <= case["tolerance"]["rel_to_quadrature"]


def test_every_field_case_is_run() -> None:
    """No case about fields is left out."""
    assert len(CASES) == 117
    assert set(ERRORS) <= set(RUN)
