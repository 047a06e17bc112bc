"""The store under kill -9, racing writers and a disk that is full: no acknowledged revision lost, no half file."""

import errno
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bench.record import About, Row
from fluxfix.errors import RigNotFoundError
from fluxfix.service import RigStore, disk, faults
from service.fakes import load

pytestmark = pytest.mark.prove

KILLS = 100
WRITERS, CHANGES_EACH = 4, 250
FULL = 1000
SEED = 170
SERVICE = Path(__file__).parents[1] / "service"

NAME = "store"
ABOUT = About(
    what="a process that replaces the text (200 kB) of one rig again and again, killed by SIGKILL at random instants within three lengths of a change, "
    "after each kill every acknowledged text is looked for among the revisions, and every file must be whole; "
    "took_effect_unacknowledged: kills after which the last change stood although it had not been acknowledged; temporary_files_left: seen after the kills, "
    f"removed by the next change. {WRITERS} processes that race for one rig, each until {CHANGES_EACH} changes of its own are taken, where every text names the state "
    f"that it was made of; beaten: changes refused because another process was faster. {FULL} changes of rigs and tables of which a random step fails as on a full disk",
    unit="count, ms (one undisturbed change), s",
    origin="simulated: texts numbered by change",
    seed=str(SEED),
    command="",
    cores=2,
)


def _run(script: str, *words: object) -> tuple[dict[str, Any] | None, str]:
    """Run one of the scripts beside the service's tests; give what it has seen, or None and what went wrong."""
    environment = {**os.environ, "PYTHONPATH": str(SERVICE.parent)}
    command = [sys.executable, str(SERVICE / script), *map(str, words)]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    return (None if done.returncode else json.loads(done.stdout)), done.stderr


def test_killed_writers_lose_nothing(tmp_path: Path, rows: list[Row]) -> None:
    """A hundred kills at random instants of a write: whatever was acknowledged is there, and nothing is half."""
    seen, wrong = _run("killing.py", tmp_path, KILLS, SEED)
    rows += [seen] if seen else []

    assert seen is not None, wrong


def test_racing_writers_lose_no_edit(tmp_path: Path, rows: list[Row]) -> None:
    """Of a thousand changes by four processes each was made of the one before it."""
    seen, wrong = _run("racing.py", tmp_path, WRITERS, CHANGES_EACH)
    rows += [seen] if seen else []

    assert seen is not None, wrong


class FullDisk:
    """Lets one step to the disk fail, after a number of others."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self._left = -1
        self.failed = False
        for name in ("fsync", "link", "replace", "rename", "mkdir"):
            monkeypatch.setattr(os, name, self._failing(getattr(os, name)))
        monkeypatch.setattr(disk, "_write", self._half_written)

    def fail_after(self, steps: int) -> None:
        """Let the step after so many others fail; a negative number lets none fail."""
        self._left, self.failed = steps, False

    def _fails(self) -> bool:
        self._left -= 1
        self.failed |= self._left == -1
        return self._left == -1

    def _failing(self, step: Callable[..., Any]) -> Callable[..., Any]:
        def stepped(*words: Any, **named: Any) -> Any:
            if self._fails():
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            return step(*words, **named)

        return stepped

    def _half_written(self, path: Path, content: bytes) -> None:
        with path.open("xb") as file:
            if self._fails():
                file.write(content[: len(content) // 2])
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            file.write(content)
            file.flush()
            os.fsync(file.fileno())


def test_full_disk_leaves_whole_files(tmp_path: Path, rows: list[Row], monkeypatch: pytest.MonkeyPatch) -> None:
    """Whichever step fails, a rig is what it was or what it should become; what was acknowledged stays."""
    rng, full = np.random.default_rng(SEED), FullDisk(monkeypatch)
    present: dict[str, str] = {}
    kept: dict[str, list[str]] = {name: [] for name in ("a", "b", "c")}
    tables: set[str] = set()
    failures = refused = 0
    for number in range(FULL):
        name = str(rng.choice(list(kept)))
        text = f'name = "{name}"\n# {number}\n' + "#" * int(rng.integers(5000))
        table = rng.random() < 0.2
        deleting = not table and name in present and rng.random() < 0.2
        store = RigStore(tmp_path, load)
        full.fail_after(int(rng.integers(-1, 14)))
        try:
            if table:
                tables.add(store.tables.keep(name, {"table.json": b"{}", "a.c": text.encode()}).sha256)
            elif deleting:
                store.delete(name, store.get(name).sha256)
            elif name in present:
                store.replace(name, text, store.get(name).sha256)
            else:
                store.create(text)
            acknowledged = True
        except faults.StoreFullError:
            acknowledged = False
            refused += 1
        failures += full.failed
        full.fail_after(-1)
        wanted = present.get(name) if table else None if deleting else text
        found = _text_of(tmp_path, name)
        assert found == wanted or (not acknowledged and found == present.get(name))
        if found is None:
            present.pop(name, None)
        elif found != present.get(name):
            present[name] = found
            kept[name].append(found)
        assert not list(tmp_path.glob(".store-*"))
    rows.append({"changes_with_failing_steps": FULL, "steps_failed": failures, "changes_refused": refused})

    store = RigStore(tmp_path, load)
    for name, texts in kept.items():
        revisions = [revision.path.read_text(encoding="utf-8") for revision in store.revisions(name)]
        assert set(texts) <= set(revisions)
        for text in revisions:
            assert load_text(tmp_path, text).name == name
        assert tables <= {sha256 for one in kept for sha256 in store.tables.names(one)}
    assert 0 < refused <= failures


def _text_of(folder: Path, name: str) -> str | None:
    """Read a rig as a server that has just been started does."""
    try:
        return RigStore(folder, load).get(name).text
    except RigNotFoundError:
        return None


def load_text(folder: Path, text: str) -> Any:
    """Read a text as a rig file."""
    path = folder / "one"
    path.write_text(text, encoding="utf-8")
    return load(path)
