"""Changing rigs in a folder that others share: nothing is lost, nothing is half done."""

import errno
import json
import os
import resource
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from fluxfix.errors import RigNotFoundError
from fluxfix.service import RigStore, disk, faults
from fluxfix.service.revisions import sha256
from service.fakes import store_of

KILLING = Path(__file__).with_name("killing.py")
FIRST, SECOND, THIRD = (f'name = "stick"\n# {number}\n' for number in (1, 2, 3))


def texts(store: RigStore, name: str = "stick") -> list[str]:
    """Give every text of a rig, oldest first."""
    return [revision.path.read_text(encoding="utf-8") for revision in store.revisions(name)[::-1]]


def names(folder: Path) -> list[str]:
    """Name every file and folder, apart from the lock."""
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.name != ".lock")


def test_created_rig_is_a_plain_file_of_its_name(tmp_path: Path) -> None:
    """Whoever looks into the folder finds the very text, and the store serves it."""
    store = store_of(tmp_path)
    rig = store.create(FIRST)

    assert (tmp_path / "stick.toml").read_text(encoding="utf-8") == FIRST
    assert store.get("stick").sha256 == rig.sha256 == sha256(FIRST.encode())
    assert texts(store) == [FIRST]


def test_rig_is_created_once(tmp_path: Path) -> None:
    """A second one of that name is refused, also where the first one's file has another name or is broken."""
    for store in (
        store_of(tmp_path / "a", stick=FIRST),
        store_of(tmp_path / "b", other=FIRST),
        store_of(tmp_path / "c", stick=FIRST + "broken = 1"),
        store_of(tmp_path / "d", stick='name = "another"'),
    ):
        with pytest.raises(faults.RigExistsError, match="there is one already"):
            store.create(SECOND)
    assert names(tmp_path / "d") == ["stick.toml"]


def test_replaced_text_stays_as_a_revision(tmp_path: Path) -> None:
    """Every text that was ever kept can be had again, also one that came twice; the same text again is no change."""
    store = store_of(tmp_path)
    rig = store.create(FIRST)
    for text in (SECOND, SECOND, FIRST, THIRD):
        rig = store.replace("stick", text, rig.sha256)

    assert store.get("stick").text == THIRD
    assert texts(store) == [FIRST, SECOND, FIRST, THIRD]
    assert [revision.number for revision in store.revisions("stick")] == [4, 3, 2, 1]
    assert store.revision("stick", 2)[1].text == SECOND
    with pytest.raises(faults.RevisionNotFoundError):
        store.revision("stick", 5)


def test_text_edited_by_hand_becomes_a_revision_when_it_is_replaced(tmp_path: Path) -> None:
    """What the service has not written itself is kept, too; and it is the last revision before that."""
    store = store_of(tmp_path, anything=FIRST)
    assert texts(store) == [FIRST]
    store.replace("stick", SECOND, store.get("stick").sha256)
    (tmp_path / "anything.toml").write_text(THIRD, encoding="utf-8")
    assert texts(store) == [FIRST, SECOND, THIRD]
    store.replace("stick", FIRST, store.get("stick").sha256)

    assert texts(store) == [FIRST, SECOND, THIRD, FIRST]


def test_change_of_a_changed_rig_is_refused(tmp_path: Path) -> None:
    """Whoever has seen another state may neither replace nor delete, and is told the present state."""
    store = store_of(tmp_path)
    seen = store.create(FIRST).sha256
    (tmp_path / "stick.toml").write_text(SECOND, encoding="utf-8")

    for change in (lambda: store.replace("stick", THIRD, seen), lambda: store.delete("stick", seen)):
        with pytest.raises(faults.EtagError, match="has changed") as caught:
            change()
        assert caught.value.context["etag"] == sha256(SECOND.encode())
    assert store.get("stick").text == SECOND


def test_deleted_rig_can_be_brought_back(tmp_path: Path) -> None:
    """Its file is gone, its texts stay, and the numbers go on when it comes again."""
    store = store_of(tmp_path, stick=FIRST)
    store.delete("stick", store.get("stick").sha256)
    with pytest.raises(RigNotFoundError):
        store.get("stick")
    assert texts(store) == [FIRST]
    store.create(store.revision("stick", 1)[1].text + "# again\n")

    assert [revision.number for revision in store.revisions("stick")] == [2, 1]


def test_unknown_rig_cannot_be_changed(tmp_path: Path) -> None:
    """A name that was never there has no revisions, and is not made by the way."""
    store = store_of(tmp_path)
    for change in (
        lambda: store.replace("stick", FIRST, "0"),
        lambda: store.delete("stick", "0"),
        lambda: store.revisions("stick"),
    ):
        with pytest.raises(RigNotFoundError):
            change()
    assert names(tmp_path) == []


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ('name = "stick"\nbroken = 1', "got key broken, no such key is allowed: remove it"),
        ("= =", "Invalid statement (at line 1, column 1)"),
        ('name = "other"', "name: got 'other', this rig is 'stick': keep that name in the text"),
        ('name = "../stick"', "name: got '../stick', lower-case letters, digits and dashes are allowed"),
    ],
)
def test_text_that_makes_no_sense_changes_nothing(tmp_path: Path, text: str, sentence: str) -> None:
    """The reader's own sentence is told, without the name of a temporary file, and nothing is left behind."""
    store = store_of(tmp_path, stick=FIRST)
    with pytest.raises(faults.RigTextError) as caught:
        store.replace("stick", text, store.get("stick").sha256)

    assert caught.value.sentences == (sentence,)
    assert names(tmp_path) == ["stick.toml"]
    assert store.get("stick").text == FIRST


def test_of_two_writers_racing_one_wins(tmp_path: Path) -> None:
    """Two servers change one rig at the same time, again and again: one change is taken, the other one is told."""
    stores = [store_of(tmp_path), store_of(tmp_path)]
    seen = stores[0].create(FIRST)
    start = threading.Barrier(2)

    def change(writer: int, number: int, etag: str) -> str | None:
        start.wait(timeout=30)
        try:
            return stores[writer].replace("stick", f'name = "stick"\n# {writer} {number}\n', etag).sha256
        except faults.EtagError:
            return None

    with ThreadPoolExecutor(2) as pool:
        for number in range(20):
            taken = list(pool.map(change, (0, 1), (number, number), (seen.sha256, seen.sha256)))
            assert sum(etag is not None for etag in taken) == 1
            seen = stores[0].get("stick")
            assert seen.sha256 in taken
    assert len(stores[1].revisions("stick")) == 21


def test_of_two_creators_racing_one_wins(tmp_path: Path) -> None:
    """The same holds for making a rig."""
    stores = [store_of(tmp_path), store_of(tmp_path)]
    start = threading.Barrier(2)

    def create(writer: int, number: int) -> bool:
        start.wait(timeout=30)
        try:
            stores[writer].create(f'name = "stick-{number}"\n# {writer}\n')
        except faults.RigExistsError:
            return False
        return True

    with ThreadPoolExecutor(2) as pool:
        for number in range(20):
            assert sorted(pool.map(create, (0, 1), (number, number))) == [False, True]


def test_killed_writers_lose_nothing(tmp_path: Path) -> None:
    """Ten writers are killed at random instants: see `killing.py`; a hundred are in tests/prove."""
    environment = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[1])}
    command = [sys.executable, KILLING, tmp_path, "10", "17"]
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)

    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["acknowledged"] >= 10


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


def test_clock_that_goes_backwards_changes_nothing(tmp_path: Path) -> None:
    """A file of the past is read like one of today, and revisions keep the order of the changes."""
    year_2100_ns, year_1990_ns = 4_102_444_800 * 10**9, 631_152_000 * 10**9
    store = store_of(tmp_path, stick=FIRST)
    os.utime(tmp_path / "stick.toml", ns=(year_2100_ns, year_2100_ns))
    rig = store.replace("stick", SECOND, store.get("stick").sha256)
    os.utime(tmp_path / "stick.toml", ns=(year_1990_ns, year_1990_ns))
    os.utime(tmp_path / "revisions" / "stick" / "000002.toml", ns=(year_1990_ns, year_1990_ns))
    assert store.get("stick").sha256 == rig.sha256
    store.replace("stick", THIRD, rig.sha256)

    assert store.get("stick").text == THIRD
    assert texts(store) == [FIRST, SECOND, THIRD]


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


def test_equal_tables_are_one(tmp_path: Path) -> None:
    """A table goes by the hash of its files; it is there whole, or not at all."""
    tables = store_of(tmp_path).tables
    kept = [tables.keep("stick", {"table.json": b"{}", "a.c": text}) for text in (b"1", b"2", b"1")]

    assert kept[0] == kept[2] != kept[1]
    assert tables.names("stick") == sorted({kept[0].sha256, kept[1].sha256})
    assert tables.get("stick", kept[1].sha256).files == {"table.json": b"{}", "a.c": b"2"}
    assert tables.names("other") == []
    with pytest.raises(faults.TableNotFoundError):
        tables.get("other", kept[0].sha256)


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


def test_store_needs_no_jax() -> None:
    """Store and changes load neither JAX nor the solver: seen in a fresh process."""
    program = "import sys, fluxfix.service.store, fluxfix.service.servicers\nprint(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)

    assert not {"jax", "jaxlib", "fluxfix.facade", "scipy"} & set(done.stdout.split())
