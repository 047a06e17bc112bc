"""The demonstration: the main job, end to end, on the shipped recordings."""

from fluxfix.demo.run import run

__all__ = ["run"]
