"""The shipped table of typical magnet materials, `materials.toml`."""

import tomllib
from dataclasses import dataclass
from functools import cache

from fluxfix import shipped

REFERENCE_C = 20.0
"""Remanence and coercivity are those at this temperature, as in IEC 60404-8-1."""


@dataclass(frozen=True)
class Span:
    """A remanence in mT with the range that its maker allows."""

    min: float
    typical: float
    max: float


@dataclass(frozen=True)
class Material:
    """A family of magnet materials at 20 °C; coefficients are reversible, relative to the value at 20 °C."""

    name: str
    description: str
    remanence_mT: Span
    recoil_permeability: float
    remanence_temperature_coefficient_per_K: float
    coercivity_kA_per_m: float
    """HcJ of the family's weakest grades."""
    coercivity_temperature_coefficient_per_K: float
    source: dict[str, str]
    """Where each value is from, by key."""


@dataclass(frozen=True)
class Magnetic:
    """What one magnet's material is, by its own keys, else by its family; values at 20 °C."""

    remanence_mT: Span
    recoil_permeability: float
    remanence_per_K: float
    coercivity_kA_per_m: float | None
    coercivity_per_K: float

    @property
    def span_mT(self) -> float | None:
        """Half width of the range of strength: its larger side; None where no range is stated."""
        low, typical, high = self.remanence_mT.min, self.remanence_mT.typical, self.remanence_mT.max
        return max(high - typical, typical - low) if high > low else None


@cache
def materials() -> dict[str, Material]:
    """The materials by name."""
    tables = tomllib.loads(shipped.path("materials.toml").read_text(encoding="utf-8"))
    return {
        name: Material(name=name, **{**table, "remanence_mT": Span(**table["remanence_mT"])})
        for name, table in tables.items()
    }
