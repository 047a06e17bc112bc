"""Commented rig files to start from."""

from fluxfix import shipped
from fluxfix.errors import ArgumentError
from fluxfix.rigfile.messages import near_miss

TEMPLATES = {
    "two-tilt": "a stick that tilts two ways over one sensor",
    "slide": "a knob that slides past one sensor",
    "turn": "a shaft that turns without end in front of one sensor",
    "lever": "a lever that turns less than a full turn beside one sensor",
}
"""The kinds, each with what it is."""


def template(kind: str) -> str:
    """Give the text of a rig file to start from.

    Raises:
        ArgumentError: there is no such kind.
    """
    if kind not in TEMPLATES:
        choice = ", ".join(TEMPLATES)
        raise ArgumentError(f'got the kind "{kind}", needs one of {choice}{near_miss(kind, TEMPLATES)}', kind=kind)
    return shipped.path(f"templates/{kind}.toml").read_text(encoding="utf-8")
