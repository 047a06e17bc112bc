"""Flux density of single magnets, exact and differentiable: one shape a file, pure JAX.

Every function takes points (n, 3) in the magnet's axes and returns (n, 3) in the unit of the polarization, inside the
material too. All arguments may be traced and differentiated; no length is special, so any length unit serves.
"""

from fluxfix.field.block import block
from fluxfix.field.cylinder import cylinder
from fluxfix.field.ring import ring
from fluxfix.field.segment import segment
from fluxfix.field.sphere import sphere

__all__ = ["block", "cylinder", "ring", "segment", "sphere"]
