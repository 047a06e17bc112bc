"""The demonstration: the main job, end to end, on the shipped recordings."""

from fluxfix.demo.run import demonstrate

__all__ = ["demonstrate"]
