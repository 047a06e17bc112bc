"""Every proof writes its numbers to bench_data, also where they miss: the module names the file and says what it is about."""

from collections.abc import Iterator
from dataclasses import replace

import pytest

from bench import record


@pytest.fixture(scope="module")
def rows(request: pytest.FixtureRequest) -> Iterator[list[record.Row]]:
    """Rows that the module's tests add to; written to bench_data/prove-<NAME>.json after the last of them."""
    found: list[record.Row] = []
    yield found
    if found:
        command = f"python -m pytest -m prove tests/prove/{request.path.name}"
        record.write(f"prove-{request.module.NAME}", replace(request.module.ABOUT, command=command), found)
