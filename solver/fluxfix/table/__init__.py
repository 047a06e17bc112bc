"""Tables for firmware: a compact inverse, reading to position, as C99 and as a NumPy twin equal to the last bit."""

from fluxfix.table.build import build
from fluxfix.table.problem import ErrorTarget, TableJoint, TableProblem
from fluxfix.table.table import Table
from fluxfix.table.tablefile import load_table

__all__ = ["ErrorTarget", "Table", "TableJoint", "TableProblem", "build", "load_table"]
