"""Writers that are killed or hang, disks that are full or read-only: nothing acknowledged is lost, nothing is half."""

import errno
import json
import os
import resource
import subprocess
import sys
from pathlib import Path

import pytest

from fluxfix.service import disk, faults
from service.fakes import store_of
from service.folders import names, texts

HERE = Path(__file__).parent
FIRST, SECOND = (f'name = "stick"\n# {number}\n' for number in (1, 2))


def seen_by(script: str, *words: object) -> dict[str, float]:
    """Run one of the scripts beside this file, which looks at what it has done; give what it has seen."""
    environment = {**os.environ, "PYTHONPATH": str(HERE.parent)}
    command = [sys.executable, str(HERE / script), *map(str, words)]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    seen: dict[str, float] = json.loads(done.stdout)
    return seen


def test_killed_writers_lose_nothing(tmp_path: Path) -> None:
    """Ten writers are killed at random instants: see `killing.py`; a hundred are in tests/prove."""
    assert seen_by("killing.py", tmp_path, 10, 17)["acknowledged"] >= 10


def test_racing_processes_lose_no_edit(tmp_path: Path) -> None:
    """Three processes change one rig: see `racing.py`; each change was made of the one before. More in tests/prove."""
    assert seen_by("racing.py", tmp_path, 3, 15)["changes"] == 45


def test_full_disk_is_told_and_leaves_nothing(tmp_path: Path) -> None:
    """The system refuses to write past a limit (EFBIG): the rig stays as it was, and the next change is taken."""
    store = store_of(tmp_path, stick=FIRST)
    rig = store.get("stick")
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, hard))
    try:
        with pytest.raises(faults.StoreFullError, match="make room"):
            store.replace("stick", SECOND + "#" * 10000, rig.sha256)
        with pytest.raises(faults.StoreFullError):
            store.create('name = "new"\n' + "#" * 10000)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))

    assert names(tmp_path) == ["stick.toml"]
    assert store.replace("stick", SECOND, rig.sha256).text == SECOND


@pytest.mark.parametrize("fails_at", range(8))
def test_disk_that_is_full_at_any_step_leaves_a_whole_rig(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fails_at: int
) -> None:
    """Whichever of its steps to the disk fails, the rig is what it was or what it should become."""
    store = store_of(tmp_path, stick=FIRST)
    rig = store.get("stick")
    steps = iter(range(100))
    true_fsync = os.fsync

    def fsync(handle: int) -> None:
        if next(steps) == fails_at:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        true_fsync(handle)

    monkeypatch.setattr(os, "fsync", fsync)
    with pytest.raises(faults.StoreFullError):
        store.replace("stick", SECOND, rig.sha256)
    monkeypatch.undo()

    text = store.get("stick").text
    assert text in {FIRST, SECOND}
    assert texts(store)[0] == FIRST
    assert texts(store)[-1] == text
    assert not list(tmp_path.glob(".store-*"))


def test_folder_that_cannot_be_written_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rigs of a read-only disk are served, and a change says why it cannot be."""
    store = store_of(tmp_path, stick=FIRST)
    true_open = os.open

    def refuse(path: str | Path, flags: int, *mode: int) -> int:
        if flags & os.O_CREAT:
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))
        return true_open(path, flags, *mode)

    monkeypatch.setattr(os, "open", refuse)
    rig = store.get("stick")
    with pytest.raises(faults.StoreError, match="read-only") as caught:
        store.replace("stick", SECOND, rig.sha256)

    assert not isinstance(caught.value, faults.StoreFullError)
    assert store.get("stick").text == FIRST


def test_writer_that_hangs_holds_others_up_for_a_while_only(tmp_path: Path) -> None:
    """Who cannot have the folder to itself in time is told to try again; reading goes on."""
    store = store_of(tmp_path, stick=FIRST)
    with disk.changing(tmp_path), pytest.raises(faults.StoreBusyError, match="try again"), disk.changing(tmp_path, 0.0):
        pass

    assert store.get("stick").text == FIRST


def test_what_killed_writers_left_is_removed(tmp_path: Path) -> None:
    """The next change cleans up files and folders with temporary names, and touches nothing else."""
    store = store_of(tmp_path, stick=FIRST)
    (tmp_path / ".store-0123.part").write_text("half", encoding="utf-8")
    (tmp_path / ".store-4567.part").mkdir()
    (tmp_path / ".store-4567.part" / "table.json").touch()
    (tmp_path / ".hidden.part").touch()
    store.delete("stick", store.get("stick").sha256)

    assert names(tmp_path) == [".hidden.part", "revisions", "revisions/stick", "revisions/stick/000001.toml"]


def test_table_is_not_kept_on_a_full_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A disk that fills up between two files leaves no folder."""
    tables = store_of(tmp_path).tables
    steps = iter(range(100))

    def fsync(_handle: int) -> None:
        if next(steps) == 1:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", fsync)
    with pytest.raises(faults.StoreFullError):
        tables.keep("stick", {"table.json": b"{}", "a.c": b"1"})

    assert names(tmp_path) == []
