"""What a magnet is made of: its strength in its own field, at a temperature, and what margin it has."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

import numpy as np

from fluxfix.rig import demagnetising
from fluxfix.rig.leaf import Leaf

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from fluxfix import rigfile

    Floats = NDArray[np.float64]

REFERENCE_C = 20.0
"""Remanence and coercivity are those at this temperature, as in IEC 60404-8-1."""
KA_PER_M = 1e-6 / 1.25663706127e-6
"""Field strength in kA/m of a flux density of 1 mT in vacuum: 1/µ0 (CODATA 2022)."""
LEAST_MARGIN = 0.2
"""Below this margin the maker's curves should be looked at: common practice, no source."""


@dataclass(frozen=True)
class WorkingPoint:
    """A magnet in its own field at one temperature: means over its volume, along its magnetisation."""

    temperature_C: float
    remanence_mT: float
    polarization_mT: float
    flux_density_mT: float
    self_field_kA_per_m: float
    """How strong the field is that the magnet sets against its own magnetisation."""
    coercivity_kA_per_m: float | None
    margin: float | None
    """The part of the coercivity that its own field leaves."""


def changed(value: Leaf, per_K: Leaf, temperature_C: Leaf) -> Leaf:
    """A value at a temperature, by its reversible coefficient from 20 °C on."""
    return value * (1.0 + per_K * (temperature_C - REFERENCE_C))


def factors(magnet: rigfile.Magnet) -> Floats:
    """The demagnetising factors of a magnet's shape: (3, 3), in its own axes."""
    if magnet.shape == "sphere":
        return demagnetising.sphere()
    if magnet.shape == "block":
        return demagnetising.block(*magnet.size_mm)
    if magnet.shape == "cylinder":
        return demagnetising.ring(0.0, magnet.diameter_mm, magnet.height_mm)
    if magnet.shape == "ring":
        return demagnetising.ring(magnet.inner_diameter_mm, magnet.outer_diameter_mm, magnet.height_mm)
    return _of_segment(
        magnet.inner_diameter_mm, magnet.outer_diameter_mm, magnet.height_mm, magnet.from_deg, magnet.to_deg
    ).copy()


@cache
def _of_segment(inner: float, outer: float, height: float, from_deg: float, to_deg: float) -> Floats:
    from fluxfix.field.segment import segment  # noqa: PLC0415 the largest kernel of all, and few rigs have one

    def flux(points: Floats, polarization: Floats) -> Floats:
        found = segment(points, inner, outer, height, from_deg, to_deg, polarization)
        return np.asarray(found, dtype=np.float64)

    return demagnetising.by_averaging(flux, *demagnetising.inside_segment(inner, outer, height, from_deg, to_deg))


def polarization_mT(magnet: rigfile.Magnet) -> Floats:
    """The effective polarization at 20 °C: (3,) in the magnet's axes.

    With B = Br + µ0 µr H along the recoil line and H = −N J/µ0, the polarization J = B − µ0 H is Br − (µr − 1) N J: J =
    (1 + (µr − 1) N)⁻¹ Br. Source: Chen, Brug and Goldfarb, IEEE Trans. Magn. 27, 3601 (1991), whose susceptibility is
    µr − 1 here; exact for ellipsoids, the mean over the volume to first order in µr − 1 for other bodies.
    """
    material = magnet.magnetic
    direction = np.asarray(magnet.direction, dtype=np.float64)
    remanence: Floats = direction * (material.remanence_mT.typical / np.linalg.norm(direction))
    if material.recoil_permeability == 1.0:
        return remanence
    kept = np.linalg.inv(np.eye(3) + (material.recoil_permeability - 1.0) * factors(magnet))
    effective: Floats = kept @ remanence
    return effective


def working_point(magnet: rigfile.Magnet, temperature_C: float) -> WorkingPoint:
    """Where a magnet stands on its demagnetisation curve, in no other field than its own."""
    material, at_20 = magnet.magnetic, polarization_mT(magnet)
    polarization = changed(float(np.linalg.norm(at_20)), material.remanence_per_K, temperature_C)
    along = at_20 / np.linalg.norm(at_20)
    demagnetised = float(along @ factors(magnet) @ along)
    field = KA_PER_M * demagnetised * polarization
    coercivity = material.coercivity_kA_per_m
    if coercivity is not None:
        coercivity = max(changed(coercivity, material.coercivity_per_K, temperature_C), 0.0)
    return WorkingPoint(
        temperature_C=temperature_C,
        remanence_mT=changed(material.remanence_mT.typical, material.remanence_per_K, temperature_C),
        polarization_mT=polarization,
        flux_density_mT=(1.0 - demagnetised) * polarization,
        self_field_kA_per_m=field,
        coercivity_kA_per_m=coercivity,
        margin=None if coercivity is None else 1.0 - field / coercivity if coercivity > 0.0 else -np.inf,
    )
