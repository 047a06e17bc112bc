"""Strength by material: own field, temperature, range and margin."""

import json
from pathlib import Path

import magpylib
import numpy as np
import pytest

from fluxfix import rigfile
from fluxfix.rig import assemble, material, parameters
from rig import texts

CASES = {case["id"]: case for case in json.loads((Path(__file__).parents[1] / "data" / "checks.json").read_text())}

ROUND_OFF = 1e-12
CELLS = 2e-4  # of the polarization: 216 cells against a magnetisation that varies smoothly, at µr = 1.05
STATED_ERROR = 0.0111  # what FORMATS.md says of the field 1 mm outside, at µr = 1.05

STRENGTH = "remanence_mT = 1250"
HOT = "\n[surroundings]\ntemperature_C = [20, 100]\n"


def block(keys, rest=""):
    """The slide of the check cases, its magnet of another strength."""
    return texts.rig(texts.SLIDE.replace(STRENGTH, keys) + rest)


def magnet_of(keys):
    """A cylinder, 6 mm by 3 mm."""
    shape = 'name = "m"\nshape = "cylinder"\ndiameter_mm = 6\nheight_mm = 3'
    return rigfile.parse(f'name = "one"\n[[magnet]]\n{shape}\n{keys}\n{texts.SENSOR}').magnet[0]


@pytest.mark.parametrize(
    ("case", "name", "key", "value"),
    [
        ("MAT-01", "ndfeb", "alpha_Br_percent_per_K", "remanence_temperature_coefficient_per_K"),
        ("MAT-01", "ndfeb", "alpha_HcJ_percent_per_K", "coercivity_temperature_coefficient_per_K"),
        ("MAT-02", "smco-1-5", "alpha_Br_SmCo5_percent_per_K", "remanence_temperature_coefficient_per_K"),
        ("MAT-02", "smco-2-17", "alpha_Br_Sm2Co17_percent_per_K", "remanence_temperature_coefficient_per_K"),
        ("MAT-03", "ferrite", "alpha_Br_percent_per_K", "remanence_temperature_coefficient_per_K"),
        ("MAT-03", "ferrite", "alpha_HcJ_percent_per_K", "coercivity_temperature_coefficient_per_K"),
        ("MAT-04", "alnico", "alpha_Br_percent_per_K", "remanence_temperature_coefficient_per_K"),
    ],
)
def test_coefficients_of_the_standard(case, name, key, value):
    """Each family's coefficient lies within the range of IEC 60404-8-1 that the check case states."""
    low, high = CASES[case]["expected"][key]

    assert low <= 100.0 * getattr(rigfile.materials()[name], value) <= high


def test_ranges_of_the_standards():
    """NdFeB and AlNiCo have the remanence of ASTM A1101 and A1070, and the low end of their coercivity."""
    ndfeb, alnico = rigfile.materials()["ndfeb"], rigfile.materials()["alnico"]

    for family, case in ((ndfeb, CASES["MAT-05"]), (alnico, CASES["MAT-08"])):
        span = family.remanence_mT
        assert [span.min, span.max] == [1000.0 * value for value in case["expected"]["Br_T"]]
        assert span.min < span.typical < span.max
    assert ndfeb.coercivity_kA_per_m == CASES["MAT-05"]["expected"]["HcJ_kA_per_m"][0]
    assert alnico.coercivity_kA_per_m == CASES["MAT-08"]["expected"]["HcB_kA_per_m"][0]


def test_every_value_has_a_source():
    """No material states a value without saying where it is from."""
    for family in rigfile.materials().values():
        values = set(vars(family)) - {"name", "description", "source"}
        assert set(family.source) == values
        assert all(family.source.values())


def test_worked_example_of_temperature():
    """MAT-09: remanence at 100 °C of four materials by their coefficients (Modelica Standard Library)."""
    expected = CASES["MAT-09"]["expected"]
    for at_20, per_K, at_100 in zip(expected["Br_20C_T"], expected["alpha_per_K"], expected["Br_100C_T"], strict=True):
        magnet = magnet_of(
            f"remanence_mT = {1000 * at_20}\nrecoil_permeability = 1.05\n"
            f"remanence_temperature_coefficient_per_K = {per_K}"
        )
        point = material.working_point(magnet, 100.0)
        assert point.remanence_mT == pytest.approx(1000.0 * at_100, rel=CASES["MAT-09"]["tolerance"]["rel"])


def test_own_keys_come_before_the_family():
    """Each key of a magnet replaces its family's value, one by one."""
    plain = magnet_of('material = "ndfeb"').magnetic
    own = magnet_of('material = "ndfeb"\nrecoil_permeability = 1.03\ncoercivity_kA_per_m = 1600').magnetic

    assert (own.recoil_permeability, own.coercivity_kA_per_m) == (1.03, 1600.0)
    assert own.remanence_mT == plain.remanence_mT == rigfile.materials()["ndfeb"].remanence_mT
    assert own.remanence_per_K == plain.remanence_per_K


def test_plain_remanence_is_the_effective_polarization():
    """Without material and permeability the number of the file is the model's, whatever the shape."""
    assert np.allclose(material.polarization_mT(magnet_of("remanence_mT = 1234.5")), [0, 0, 1234.5], rtol=ROUND_OFF)


def test_sphere_in_its_own_field():
    """A sphere is uniformly magnetised: J = 3 Br / (µr + 2) (Jackson, Classical Electrodynamics, 3rd ed., 5.11)."""
    text = 'name = "s"\n[[magnet]]\nname = "m"\nshape = "sphere"\ndiameter_mm = 5\ndirection = [1, 2, 2]\n'
    magnet = rigfile.parse(f"{text}remanence_mT = 1000\nrecoil_permeability = 1.2\n{texts.SENSOR}").magnet[0]

    assert np.allclose(material.polarization_mT(magnet), 3000.0 / 3.2 * np.array([1, 2, 2]) / 3.0, rtol=ROUND_OFF)


def test_skew_magnetisation_turns():
    """A flat magnet magnetised skew loses more across its plane, so that its polarization leans into the plane."""
    magnet = magnet_of("remanence_mT = 1000\nrecoil_permeability = 1.1\ndirection = [1, 0, 1]")
    x, y, z = material.polarization_mT(magnet)
    factors = np.diag(material.factors(magnet))

    assert y == 0.0
    assert [x, z] == pytest.approx([np.sqrt(0.5) * 1000.0 / (1.0 + 0.1 * factors[k]) for k in (0, 2)], rel=ROUND_OFF)
    assert x > z


def cells(size, counts, recoil_permeability):
    """A block of linear material along x in cells, each with a magnetisation of its own (point matching).

    Returns:
        Centres (n, 3), size of a cell, polarization (n, 3) for Br = 1.
    """
    axes = [(np.arange(count) + 0.5) / count - 0.5 for count in counts]
    centres = np.stack([part.reshape(-1) for part in np.meshgrid(*axes, indexing="ij")], axis=-1) * size
    cell, n = np.array(size) / counts, len(centres)
    between = (centres[:, None] - centres[None]).reshape(-1, 3)
    own = np.empty((n, 3, n, 3))
    for axis, unit in enumerate(np.eye(3)):
        flux = magpylib.magnet.Cuboid(polarization=unit, dimension=cell).getB(between).reshape(n, n, 3)
        flux[np.arange(n), np.arange(n), axis] -= 1.0  # from B to µ0 H
        own[:, :, :, axis] = np.swapaxes(flux, 1, 2)
    matrix = np.eye(3 * n) - (recoil_permeability - 1.0) * own.reshape(3 * n, 3 * n)
    return centres, cell, np.linalg.solve(matrix, np.tile([1.0, 0.0, 0.0], n)).reshape(n, 3)


def test_effective_polarization_against_cells():
    """A block cut into cells that magnetise each other has the effective polarization as its mean.

    The field outside is off by no more than the user's page says.
    """
    centres, cell, polarization = cells((6.0, 4.0, 3.0), (8, 6, 4), 1.05)
    rig = block("remanence_mT = 1000\nrecoil_permeability = 1.05")
    effective = float(rig.parameters.magnet_remanence_mT[0]) / 1000.0

    assert abs(np.mean(polarization[:, 0]) - effective) <= CELLS
    travel = np.linspace(-8.0, 8.0, 17)
    places = np.stack([-travel, np.zeros(17), np.full(17, -2.5)], axis=1)  # 1 mm below the block
    flux = sum(
        magpylib.magnet.Cuboid(polarization=own, dimension=cell, position=centre).getB(places)
        for centre, own in zip(centres, polarization, strict=True)
    )
    near = texts.rig(rig.text.replace("[0, 0, -5.5]", "[0, 0, -2.5]")).readings(travel[:, None])
    assert np.max(np.linalg.norm(near / 1000.0 - flux, axis=1)) <= STATED_ERROR * np.max(np.linalg.norm(flux, axis=1))


def test_strength_over_temperature():
    """All readings scale with the strength; the rig is computed at the middle of its temperatures."""
    keys = f"{STRENGTH}\nremanence_temperature_coefficient_per_K = -0.001"
    at = [[-3.0], [1.0]]
    plain = block(keys).readings(at)

    assert np.allclose(block(keys, HOT).readings(at), 0.96 * plain, rtol=ROUND_OFF, atol=0)
    assert np.allclose(block(keys, HOT).readings(at, temperature_C=100.0), 0.92 * plain, rtol=ROUND_OFF, atol=0)
    assert np.allclose(block(keys).readings(at, temperature_C=20.0), plain, rtol=ROUND_OFF, atol=0)
    assert np.array_equal(block(STRENGTH, HOT).readings(at), plain)


def test_range_of_strength_is_a_tolerance():
    """A range gives the tolerance, by its larger side, unless the file's table does."""
    keys = "remanence_mT = {min = 1200, typical = 1250, max = 1270}"
    text = texts.SLIDE.replace(STRENGTH, keys)
    strength = assemble.tolerances_of(rigfile.parse(text.replace("remanence_percent = {sd = 0}\n", "")))[0]

    assert strength.nominal == pytest.approx(1250.0)
    assert strength.limit == pytest.approx(50.0)
    assert strength.sd == pytest.approx(50.0 / np.sqrt(3.0))
    assert assemble.tolerances_of(rigfile.parse(text))[0].sd == 0.0


def test_range_of_strength_in_its_own_field():
    """The range keeps its size in percent of the effective polarization."""
    text = texts.SLIDE.replace(STRENGTH, 'material = "alnico"').replace("remanence_percent = {sd = 0}\n", "")
    strength = assemble.tolerances_of(rigfile.parse(text))[0]
    span = rigfile.materials()["alnico"].remanence_mT

    assert strength.limit / strength.nominal == pytest.approx((span.typical - span.min) / span.typical)


def test_what_varies_unmeasured():
    """The temperature varies, uniform over its range, where a strength or a gain depends on it; else nothing does."""
    (temperature,) = assemble.varying_of(block('material = "ndfeb"', HOT).file)

    assert temperature.address == "surroundings.temperature_C"
    assert (temperature.nominal, temperature.limit) == (60.0, 40.0)
    assert temperature.sd == pytest.approx(80.0 / np.sqrt(12.0))
    assert assemble.varying_of(block('material = "ndfeb"').file) == ()
    assert assemble.varying_of(block(STRENGTH, HOT).file) == ()


def test_working_point():
    """B = J + µ0 H with H = −N J / µ0; the margin is what H leaves of the coercivity, which falls with temperature."""
    magnet = magnet_of('material = "ndfeb"\nremanence_mT = 1300\ncoercivity_kA_per_m = 1000')
    cold, hot = (material.working_point(magnet, temperature) for temperature in (20.0, 120.0))
    factor = CASES["PAP-01"]["expected"]["N_m"][0]  # 3 mm high, 6 mm wide
    polarization = 1300.0 / (1.0 + 0.05 * factor)

    assert cold.polarization_mT == pytest.approx(polarization)
    assert cold.self_field_kA_per_m == pytest.approx(factor * polarization / (0.4 * np.pi))
    assert cold.flux_density_mT == pytest.approx((1.0 - factor) * polarization)
    assert cold.margin == pytest.approx(1.0 - cold.self_field_kA_per_m / 1000.0)
    assert hot.coercivity_kA_per_m == pytest.approx(400.0)
    assert hot.polarization_mT == pytest.approx(0.89 * polarization)
    assert hot.margin == pytest.approx(1.0 - 0.89 * cold.self_field_kA_per_m / 400.0)


def test_ferrite_is_at_risk_in_the_cold():
    """Hard ferrite has the smaller margin at the lower temperature, NdFeB at the higher one (MAT-03, MAT-01)."""
    margins = {
        name: [material.working_point(magnet_of(f'material = "{name}"'), end).margin for end in (-40.0, 80.0)]
        for name in ("ferrite", "ndfeb")
    }

    assert margins["ferrite"][0] < margins["ferrite"][1]
    assert margins["ndfeb"][0] > margins["ndfeb"][1]


def test_one_reference_temperature():
    """File and model count from the same temperatures."""
    assert material.REFERENCE_C == rigfile.REFERENCE_C
    assert parameters.GAIN_REFERENCE_C == rigfile.sensors.GAIN_REFERENCE_C
