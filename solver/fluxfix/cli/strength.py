"""What `fluxfix check` says of magnets, of their margin, and of a plate behind them."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fluxfix import rigfile
    from fluxfix.facade import Rig


def describe_magnet(rig: Rig, magnet: rigfile.Magnet) -> dict[str, Any]:
    """A magnet's strength, and its working points where the rig says what it is made of."""
    import numpy as np

    from fluxfix.rig import assemble, material

    stated = magnet.magnetic
    spread = assemble.remanence_spread(rig.file, magnet)
    found: dict[str, Any] = {
        "name": magnet.name,
        "shape": magnet.shape,
        "material": magnet.material,
        "remanence_mT": stated.remanence_mT.typical,
        "polarization_mT": float(np.linalg.norm(material.polarization_mT(magnet))),
        "recoil_permeability": stated.recoil_permeability,
        "rides": magnet.rides,
        "range_mT": None if stated.span_mT is None else [stated.remanence_mT.min, stated.remanence_mT.max],
        "tolerance_percent": spread.value,
        "tolerance_kind": spread.kind,
        "working_points": [],
        "warnings": [],
    }
    known = (magnet.material, magnet.recoil_permeability, magnet.coercivity_kA_per_m)
    drifts = stated.remanence_per_K != 0.0
    if any(one is not None for one in known) or drifts:
        ends = rig.file.surroundings.temperature_C or (material.REFERENCE_C, material.REFERENCE_C)
        points = [material.working_point(magnet, end) for end in sorted(set(ends))]
        found["working_points"] = [asdict(point) for point in points]
        found["warnings"] = [text for point in points if (text := _margin_warning(magnet.name, point))]
    return found


def _margin_warning(name: str, point: Any) -> str | None:
    from fluxfix.rig import material

    if point.margin is None or point.margin >= material.LEAST_MARGIN:
        return None
    if point.coercivity_kA_per_m <= 0.0:
        return (
            f"magnet {name} at {point.temperature_C:g} °C: its coefficient leaves no coercivity (common practice: at "
            f"least {_percent(material.LEAST_MARGIN)} margin, no source): it would lose its strength for good. Look at "
            "the coefficient, which is a part per kelvin, not a percentage, and at its maker's demagnetisation curves"
        )
    return (
        f"magnet {name} at {point.temperature_C:g} °C: the margin of its coercivity over its own field is "
        f"{_percent(point.margin)}, less than {_percent(material.LEAST_MARGIN)} (common practice, no source): it may "
        "lose strength for good. Compare with its maker's demagnetisation curves"
    )


def magnet_text(magnet: dict[str, Any]) -> list[str]:
    """The lines about one magnet."""
    strength, effective = magnet["remanence_mT"], magnet["polarization_mT"]
    said = f"{strength:g} mT"
    if magnet["recoil_permeability"] != 1.0:
        said = (
            f"Br {strength:g} mT, effective {effective:.5g} mT (recoil permeability {magnet['recoil_permeability']:g})"
        )
    made = f", {magnet['material']}" if magnet["material"] else ""
    lines = [f"  magnet {magnet['name']}: {magnet['shape']}{made}, {said}, rides on {magnet['rides']}"]
    if magnet["range_mT"]:
        low, high = magnet["range_mT"]
        kind = "±" if magnet["tolerance_kind"] == "limit" else "sd"
        lines.append(f"    Br {low:g} to {high:g} mT; tolerance of strength {kind} {magnet['tolerance_percent']:.3g} %")
    for point in magnet["working_points"]:
        field = f"own field {point['self_field_kA_per_m']:.4g} kA/m"
        margin = "no coercivity stated"
        if point["margin"] is not None:
            margin = f"HcJ {point['coercivity_kA_per_m']:.4g} kA/m, "
            margin += f"margin {_percent(point['margin'])}" if point["coercivity_kA_per_m"] > 0.0 else "no margin"
        lines.append(
            f"    at {point['temperature_C']:g} °C: Br {point['remanence_mT']:.5g} mT, effective "
            f"{point['polarization_mT']:.5g} mT, works at {point['flux_density_mT']:.4g} mT; {field}, {margin}"
        )
    return lines


def notes(rig: Rig, magnets: list[dict[str, Any]]) -> list[str]:
    """What a user must know of these magnets and plates, one sentence each."""
    found = [warning for magnet in magnets for warning in magnet["warnings"]]
    families = sorted({magnet["material"] for magnet in magnets if magnet["material"]})
    if families:
        found.append(
            f"values of {', '.join(families)} are typical of the family (materials.toml), the coercivity that of weak "
            "grades: put the maker's numbers into the rig file. Working points are means over a magnet, in no other "
            "field than its own"
        )
    if rig.file.plate:
        found.append(
            "the plate is computed as soft iron that is wide, thick, never saturated and without remanence: real "
            "sheets saturate and remember. Calibrate with the plate in place, and look at the residuals"
        )
    return found


def drift(rig: Rig) -> list[dict[str, Any]]:
    """How far fixes shift with what varies unmeasured, as far as the rig states it."""
    import numpy as np

    from fluxfix.inverse import drift
    from fluxfix.rig import assemble, travel

    varying = assemble.varying_of(rig.file)
    if not varying:
        return []
    variance = np.asarray(rig.sensing.variance_mT2)
    shift = np.abs(drift.shift(rig.layout, rig.parameters, variance, varying, travel.places(rig.joints)))
    return [
        {
            "address": one.address,
            "middle": one.nominal,
            "limit": one.limit,
            "sd": one.sd,
            "unit": one.unit,
            "shift_by_sd": [float(shift[:, k, v].max()) for k in range(len(rig.joints))],
        }
        for v, one in enumerate(varying)
    ]


def drift_text(found: dict[str, Any]) -> list[str]:
    """The lines about what varies unmeasured, and the distance from a plate."""
    lines = []
    for one in found["varying"]:
        unit, shifts = one["unit"], zip(found["joints"], one["shift_by_sd"], strict=True)
        low, high = one["middle"] - one["limit"], one["middle"] + one["limit"]
        lines.append(
            f"{one['address']} {low:g} to {high:g} {unit}, computed at {one['middle']:g} {unit}, not measured: one sd "
            f"({one['sd']:.3g} {unit}) shifts "
            + ", ".join(f"{joint['name']} by up to {shift:.2g} {joint['unit']}" for joint, shift in shifts)
            + "; the sd above hold this"
        )
    if found["plate_clearance_mm"] is not None:
        lines.append(f"magnets and sensors to plate: at least {found['plate_clearance_mm']:.3g} mm")
    return lines


def _percent(part: float) -> str:
    return f"{100.0 * part:.0f} %"
