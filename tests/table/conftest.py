"""Tables that several tests look at, built once."""

import shutil
import subprocess
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from fluxfix.table import Table, build
from table.models import PROBLEMS

WARNINGS = ["-std=c99", "-pedantic", "-Wall", "-Wextra", "-Wconversion", "-Wsign-conversion", "-Wshadow", "-Werror"]

BATCH = """
#include <stdio.h>
#include "{name}_table.h"
int main(void)
{{
    int16_t counts[{axes}];
    while (fread(counts, sizeof counts, 1, stdin) == 1) {{
        int32_t row[{joints} + 1];
        int joint;
        for (joint = 0; joint < {joints}; joint++) {{
            row[joint] = -2147483647 - 1;
        }}
        row[{joints}] = ffx_{name}_position(counts, row);
        fwrite(row, sizeof row, 1, stdout);
    }}
    return 0;
}}
"""

RunC = Callable[[Table, NDArray[np.int64], list[str]], tuple[NDArray[np.int32], NDArray[np.int32]]]


@pytest.fixture(scope="session")
def tables() -> dict[str, Table]:
    """A table at the default target for each problem."""
    return {name: build(make()) for name, make in PROBLEMS.items()}


@pytest.fixture(scope="session")
def gcc() -> str:
    """The C compiler."""
    found = shutil.which("gcc")
    if found is None:
        pytest.fail("no gcc on this machine: the C code cannot be compared with its twin")
    return found


@pytest.fixture(scope="session")
def run_c(gcc: str, tmp_path_factory: pytest.TempPathFactory) -> RunC:
    """Runs the exported C on counts: compiles it with the given options, gives positions and flags."""

    def run(table: Table, counts: NDArray[np.int64], options: list[str]) -> tuple[NDArray[np.int32], NDArray[np.int32]]:
        folder = tmp_path_factory.mktemp("c")
        table.write(folder, force=True)
        name, joints = table.rig.replace("-", "_"), len(table.joints)
        (folder / "batch.c").write_text(BATCH.format(name=name, axes=len(table.axes), joints=joints))
        subprocess.run(
            [gcc, "-std=c99", *options, "-o", "batch", "batch.c", f"{name}_table.c", "ffx_table.c"],
            cwd=folder,
            check=True,
        )
        done = subprocess.run([folder / "batch"], input=counts.astype("<i2").tobytes(), capture_output=True, check=True)
        rows = np.frombuffer(done.stdout, dtype="<i4").reshape(-1, joints + 1)
        return rows[:, :joints], rows[:, joints]

    return run
