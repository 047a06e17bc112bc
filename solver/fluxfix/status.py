"""Status of a fix: a set of flags, 0 is OK. The same bits stand in the wire's `StatusFlag` and in the C header."""

from enum import IntFlag


class Status(IntFlag):
    """What is to be known about a fix before it is believed; `Status(0)` is OK."""

    NOT_CONVERGED = 1
    """The iteration did not come to rest; the position is its best iterate."""
    AMBIGUOUS = 2
    """Another position, further away than the resolution wanted, explains the reading nearly as well."""
    SATURATED = 4
    """At least one axis is within 4 steps of a limit of its range."""
    OUTSIDE_TRAVEL = 8
    """The position is beyond a limit of the travel by more than 3 sd."""
    POOR_MATCH = 16
    """No position explains the reading: misfit beyond its limit."""
    WEAK_FIELD = 32
    """The flux density is weaker than the rig can produce anywhere on its travel."""
    NOT_MEASURED = 64
    """A value is no number, or fewer values than joints are within the range: the position is NaN."""
    UNCHECKED = 128
    """No spare axis (dof 0): a foreign field or a broken axis cannot be noticed."""
    PREDICTED = 256
    """Not from this sample, but predicted from earlier ones."""
    STRONG_FIELD = 512
    """The flux density is stronger than the rig can produce anywhere on its travel."""
    IMPRECISE = 1024
    """The predicted sd exceeds the rig's limit."""


def text(status: int) -> str:
    """Give the words of a status as files carry them: `OK`, or flag names joined by `|`, in the order of their bits."""
    return "|".join(str(flag.name) for flag in Status if status & flag) or "OK"


def parse(words: str) -> Status:
    """Turn the words of a status back into flags.

    Raises:
        KeyError: a word is not the name of a flag.
    """
    status = Status(0)
    if words != "OK":
        for word in words.split("|"):
            status |= Status[word]
    return status
