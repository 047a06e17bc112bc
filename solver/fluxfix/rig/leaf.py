"""The type of a pytree's leaves."""

from typing import Any

Leaf = Any
"""An array of float64, unless its place says otherwise.

A NumPy array where a value is made and kept, a JAX array or a tracer inside a compiled function. The two share the
arithmetic that is used on them, but no type that a checker could follow through both.
"""
