"""A plate of soft iron: what it adds is the field of the magnets' images behind its surface.

The images' charges are those of the magnets, mirrored and of the other sign, times (µ − 1)/(µ + 1). Their field at a
point is so the magnets' own field at the point's mirror image, mirrored back, of the other sign. Source: Jackson,
Classical Electrodynamics, 3rd ed., 1998, 4.4, for a charge before a dielectric half-space; magnetic charges alike.
"""

from typing import NamedTuple

from jax import Array
from jax import numpy as jnp

from fluxfix.rig import vector
from fluxfix.rig.leaf import Leaf
from fluxfix.rig.parameters import Parameters
from fluxfix.rig.vector import Vec


class Plate(NamedTuple):
    """A plate's surface, and how strong an image behind it is."""

    point: Vec
    normal: Vec
    strength: Array

    def height(self, point: Vec) -> Array:
        """How far a point lies from the surface, positive where the normal points to."""
        return vector.dot(self.normal, vector.subtract(point, self.point))

    def mirrored(self, point: Vec) -> Vec:
        """The mirror image of a point, in the frame."""
        return vector.keep(vector.subtract(point, vector.scale(self.normal, 2.0 * self.height(point))))

    def image(self, flux: Vec) -> Vec:
        """The images' flux density at a point, from that of the magnets at its mirror image; in the frame's axes."""
        back = vector.subtract(vector.scale(self.normal, 2.0 * vector.dot(self.normal, flux)), flux)
        return vector.scale(back, self.strength)


def of(parameters: Parameters, i: int) -> Plate:
    """One of a rig's plates."""
    return Plate(
        vector.split(parameters.plate_point_mm[i]),
        vector.split(parameters.plate_normal[i]),
        parameters.plate_image[i],
    )


def reach(shape: str, size: Leaf, along: Vec) -> Array:
    """How far a magnet reaches from its centre along a unit vector in its own axes, in mm.

    What is round with a hole, or a part of that, counts as the whole cylinder.
    """
    across: Array
    if shape == "block":
        across = jnp.abs(along[0]) * size[0] + jnp.abs(along[1]) * size[1] + jnp.abs(along[2]) * size[2]
    elif shape == "sphere":
        across = size[0] * jnp.ones_like(along[0])
    else:
        across = jnp.hypot(along[0], along[1]) * size[0] + jnp.abs(along[2]) * size[1]
    return 0.5 * across
