"""A running service for clients in other languages."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from clients.target import Target, serving


@pytest.fixture
def target(tmp_path: Path) -> Iterator[Target]:
    """A service with one rig, a certificate for its address and one token."""
    with serving(tmp_path) as target:
        yield target
