"""The division without a divide instruction over its whole domain, on a host."""

import shutil
import subprocess
from pathlib import Path

import pytest

from fluxfix import shipped

pytestmark = pytest.mark.prove


def test_every_quotient_is_the_division(tmp_path: Path) -> None:
    """All 1.6e9 pairs that a direction is folded from, and all denominators of reciprocals, give the divider's bits."""
    compiler = shutil.which("gcc") or shutil.which("clang")
    assert compiler is not None
    sources = [shipped.path("c/host_test.c"), shipped.path("c/ffx_table.c")]
    subprocess.run([compiler, "-std=c99", "-O2", "-DFFX_DIVIDER=0", "-o", tmp_path / "host", *sources], check=True)

    done = subprocess.run([tmp_path / "host", "all"], capture_output=True, text=True, check=True)

    assert done.stdout.split()[-2:] == ["0", "failures"]
