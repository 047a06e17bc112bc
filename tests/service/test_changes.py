"""Changing rigs in a folder that others share: nothing is lost, nothing is half done."""

import os
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from fluxfix.errors import RigNotFoundError
from fluxfix.service import faults
from fluxfix.service.revisions import sha256
from service.fakes import store_of
from service.folders import names, texts

FIRST, SECOND, THIRD = (f'name = "stick"\n# {number}\n' for number in (1, 2, 3))


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


def test_store_needs_no_jax() -> None:
    """Store and changes load neither JAX nor the solver: seen in a fresh process."""
    program = "import sys, fluxfix.service.store, fluxfix.service.servicers\nprint(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)

    assert not {"jax", "jaxlib", "fluxfix.facade", "scipy"} & set(done.stdout.split())
