"""What is wanted of a table: limits, and which of them decides."""

from dataclasses import dataclass
from typing import Literal

from fluxfix.errors import ArgumentError
from fluxfix.table.count_cores import core_of, require
from fluxfix.table.problem import ErrorTarget

Interpolation = Literal["linear", "quadratic", "cubic"]

ORDERS: dict[str, int] = {"linear": 1, "quadratic": 2, "cubic": 3}
"""Order of the B-spline by its name."""

DEFAULT_ERROR = ErrorTarget(0.1)
DEFAULT_CORE = "cortex-m4"


@dataclass(frozen=True)
class Wanted:
    """Limits of a table.

    Without `max_bytes` and `max_instructions` the smallest table that keeps `error` is wanted; with `max_bytes` the
    most exact one; with `max_instructions` the fastest one.

    Attributes:
        error: the largest error allowed; by default 0.1 percent of each joint's span, with `max_bytes` none.
        max_bytes: most bytes of coefficients.
        max_instructions: most instructions of a call on `core`.
        core: the core that instructions are counted on.
        interpolation: the only one to be used; by default quadratic, or any where bytes or instructions are limited.
    """

    error: ErrorTarget | None = None
    max_bytes: int | None = None
    max_instructions: int | None = None
    core: str | None = None
    interpolation: str | None = None

    @property
    def orders(self) -> tuple[int, ...]:
        """Orders of the B-splines to be tried.

        Raises:
            ArgumentError: there is no such interpolation.
        """
        if self.interpolation is not None:
            if self.interpolation not in ORDERS:
                raise ArgumentError(
                    f"got the interpolation {self.interpolation!r}, it must be {', '.join(ORDERS)}",
                    interpolation=self.interpolation,
                )
            return (ORDERS[self.interpolation],)
        limited = self.max_bytes is not None or self.max_instructions is not None
        return (2, 1, 3) if limited else (2,)

    def check(self) -> None:
        """Refuse limits that make no sense.

        Raises:
            ArgumentError: with what was got and what is allowed.
            TableError: instructions cannot be counted here.
        """
        for name, value in (("bytes", self.max_bytes), ("instructions", self.max_instructions)):
            if value is not None and value < 1:
                raise ArgumentError(f"got at most {value} {name}, it must be 1 or more", value=value)
        _ = self.orders
        if self.core is not None:
            core_of(self.core)
        if self.core is not None or self.max_instructions is not None:
            require()
