"""Compiled functions are let go of before a process has too many of them."""

import sys
from pathlib import Path
from types import SimpleNamespace

import pytest

from fluxfix.service import compiled


@pytest.mark.parametrize(("maps", "lets_go"), [(compiled.MOST_MAPS, False), (compiled.MOST_MAPS + 1, True)])
def test_too_many_memory_maps(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, maps: int, lets_go: bool) -> None:
    """Beyond the limit everything compiled is let go of; below it nothing is."""
    told: list[bool] = []
    listed = tmp_path / "maps"
    listed.write_text("7f00-7f10 r-xp\n" * maps, encoding="ascii")
    monkeypatch.setattr(compiled, "MAPS", listed)
    monkeypatch.setitem(sys.modules, "jax", SimpleNamespace(clear_caches=lambda: told.append(True)))

    assert compiled.let_go_of_too_many() is lets_go
    assert bool(told) is lets_go


def test_where_there_is_nothing_to_count(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """On another system, or where nothing compiles, nothing is done."""
    monkeypatch.setattr(compiled, "MAPS", tmp_path / "none")
    assert not compiled.let_go_of_too_many()
    monkeypatch.delitem(sys.modules, "jax", raising=False)
    assert not compiled.let_go_of_too_many()


def test_limit_leaves_room() -> None:
    """Half of what the system gives a process by default (65,530, Linux's vm.max_map_count) stays free."""
    assert compiled.MOST_MAPS < 65_530 / 2
