"""What holds for all tests of a process."""

import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from fluxfix import cache

cache.use()  # what one process of the tests has compiled the others need not, as with users

HERE = Path(__file__).parent
MAPS = Path("/proc/self/maps")
MOST_MAPS = 30_000
"""Each compiled function takes some, and the system gives a process 65,530: beyond them the compiler aborts."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Files of this folder come first: one takes a minute, and at the end the other process would wait for it."""
    items.sort(key=lambda item: item.path.parent != HERE)


@pytest.fixture(autouse=True, scope="module")
def _few_memory_maps() -> Iterator[None]:
    """Let go of compiled functions between modules where there are very many."""
    yield
    if "jax" in sys.modules and MAPS.exists() and MAPS.read_bytes().count(b"\n") > MOST_MAPS:
        sys.modules["jax"].clear_caches()
