"""From a rig file to the model's numbers; what is not computed yet is refused with a sentence."""

import magpylib
import numpy as np
import pytest

from fluxfix import rigfile
from fluxfix.errors import RigFileError, UnsupportedError
from fluxfix.rig import assemble, refusals, rows
from fluxfix.rig.chunks import SIZES, chunks
from fluxfix.rig.parameters import covariance_root
from rig import texts

ALONE = 'name = "one"\n[[magnet]]\nname = "m"\nremanence_mT = 1000\n'
PLACE = (4.0, 1.0, 3.0)
AGREE = 1e-11  # magpylib's ring segment holds this at a place off its symmetry planes


@pytest.mark.parametrize("direction", [(0.0, 0.0, -2.0), (1.0, 0.0, 1.0)])
@pytest.mark.parametrize("shape", ["cylinder", "ring"])
def test_direction_of_a_round_magnet(shape, direction):
    """Cylinders and rings are magnetised in any direction; only one along their own z is computed as such."""
    keys = {
        "cylinder": "diameter_mm = 6\nheight_mm = 2\n",
        "ring": "inner_diameter_mm = 2\nouter_diameter_mm = 6\nheight_mm = 2\n",
    }[shape]
    rig = texts.rig(
        f'{ALONE}shape = "{shape}"\n{keys}direction = {list(direction)}\n{texts.SENSOR}position_mm = {list(PLACE)}\n'
    )
    polarization = 1000.0 * np.array(direction) / np.linalg.norm(direction)
    other = {
        "cylinder": magpylib.magnet.Cylinder(polarization=polarization, dimension=(6.0, 2.0)),
        "ring": magpylib.magnet.CylinderSegment(polarization=polarization, dimension=(1.0, 3.0, 2.0, 0.0, 360.0)),
    }[shape].getB(PLACE)

    assert rig.layout.magnets[0].axial == (direction[0] == 0.0)
    np.testing.assert_allclose(rig.readings(np.zeros((1, 0)))[0], other, rtol=0.0, atol=AGREE * np.linalg.norm(other))


def test_refusal_of_sequential_conversion():
    """Axes read one after the other are refused by who promises a bound, and knows no velocity."""
    file = rigfile.parse(texts.LEVER.replace("range_mT", "sequential = true\nrange_mT"), source="test.toml")

    with pytest.raises(UnsupportedError, match=r"one reading has no velocity: set sequential = false"):
        refusals.refuse(file, refusals.for_one_instant(file))


def test_noise_of_each_axis():
    """Each axis has its own noise; axes that are not used have none."""
    noise = texts.rig(texts.TREE).sensing.noise_mT

    assert np.array_equal(noise, [0.03, 0.04, 0.05, 0.03, 0.03])


def test_axis_not_in_use_has_no_parameters():
    """An axis that no reading holds has no gain and no offset; what a used axis sees of it stays."""
    file = rigfile.parse(texts.changed(texts.LEVER, bits='bits = 16\naxes = "x"'), source="test.toml")
    addresses = [parameter.address for parameter in assemble.tolerances_of(file) if "board" in parameter.address]

    assert addresses[6:] == [
        "sensor.board.gain.x",
        "sensor.board.cross_axis.xy",
        "sensor.board.cross_axis.xz",
        "sensor.board.offset_mT.x",
    ]


def test_tolerances():
    """Percent become parts, a limit becomes the sd of a uniform distribution (GUM, JCGM 100:2008, 4.3.7)."""
    by_address = {parameter.address: parameter for parameter in assemble.tolerances_of(texts.rig(texts.TREE).file)}

    assert by_address["magnet.bar.remanence_mT"].sd == pytest.approx(0.05 * 1180.0)
    assert by_address["sensor.board.gain.x"].sd == pytest.approx(0.02)
    assert by_address["sensor.board.offset_mT.z"].sd == pytest.approx(0.4 / np.sqrt(3.0))
    assert by_address["sensor.board.offset_mT.z"].limit == pytest.approx(0.4)
    assert by_address["magnet.bar.position_mm.z"].nominal == 10.0


def test_unknown_address():
    """A calibration of another rig is refused by the address that this rig lacks."""
    with pytest.raises(RigFileError, match=r"got 'sensor.bord.gain.x', which this rig does not have: calibrate"):
        assemble.by_address(texts.rig(texts.LEVER).file, ["sensor.bord.gain.x"])


def test_covariance_root_of_very_different_units():
    """A root gives the covariance back, to round-off in each entry's own units, also where it is singular."""
    sd = np.array([38.0, 1e-5, 0.15, 1e-7])
    deviates = np.random.default_rng(2).normal(size=(4, 3))
    covariance = (deviates @ deviates.T) * np.outer(sd, sd)
    root = covariance_root(covariance)

    assert np.max(np.abs((root @ root.T - covariance) / np.outer(sd, sd))) <= 1e-13  # entries are about 1


def test_a_row_that_makes_no_sense_spoils_no_other():
    """A position of NaN in the first row leaves the rows after it as they are."""
    rig = texts.rig(texts.LEVER)
    at = np.array([[3.0, 4.0], [-5.0, 6.0], [1.0, 1.0]])
    spoilt = at.copy()
    spoilt[0] = np.nan

    assert np.array_equal(rig.readings(at)[1:], rows.readings(rig.layout, rig.parameters, spoilt)[1:])
    assert np.all(np.isnan(rows.readings(rig.layout, rig.parameters, spoilt)[0]))


@pytest.mark.parametrize("count", [0, 1, 2, SIZES[-1], SIZES[-1] + 1, 2 * SIZES[-1] + 2])
def test_chunks(count):
    """Chunks hold every row once, in order, each padded to one of the sizes by its last row."""
    whole = np.arange(2.0 * count).reshape(count, 2)
    pieces = list(chunks(whole))

    assert all(len(padded) in SIZES for _, padded in pieces)
    for where, padded in pieces:
        rows_in = where.stop - where.start
        assert np.array_equal(padded[:rows_in], whole[where])
        assert np.all(padded[rows_in:] == whole[where.stop - 1])
    assert sum(where.stop - where.start for where, _ in pieces) == count
