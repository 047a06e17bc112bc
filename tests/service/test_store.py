"""A folder of rig files as the service sees it, while files come, change and go."""

import os
from pathlib import Path

import pytest

from fluxfix.errors import InputFileError, RigFileError, RigNotFoundError
from fluxfix.service import RigStore
from service.fakes import FakeRig, load, store_of


def names(store: RigStore) -> list[str]:
    """Name every rig."""
    return [rig.name for rig in store.rigs()]


def test_rig_goes_by_the_name_in_its_file(tmp_path: Path) -> None:
    """The file's own name does not matter."""
    store = store_of(tmp_path, whatever='name = "stick"')

    assert store.get("stick").name == "stick"
    with pytest.raises(RigNotFoundError, match="stick"):
        store.get("whatever")


def test_file_is_read_once_while_it_stays(tmp_path: Path) -> None:
    """Getting and listing read nothing again."""
    read = []

    def counting(path: Path) -> FakeRig:
        read.append(path.name)
        return load(path)

    store_of(tmp_path, a='name = "a"', b='name = "b"', c='name = "a"')
    store = RigStore(tmp_path, counting)
    for _ in range(3):
        store.get("a")
        store.get("b")
        store.rigs()

    assert read == ["a.toml", "b.toml", "c.toml"]


def test_changed_file_is_read_again(tmp_path: Path) -> None:
    """The next question after a change is answered from the new text, also when size and time stay the same."""
    store = store_of(tmp_path, stick='name = "stick" # 1')
    before = store.get("stick")
    old, new = tmp_path / "stick.toml", tmp_path / "new"
    new.write_text('name = "stick" # 2')
    os.utime(new, ns=(old.stat().st_atime_ns, old.stat().st_mtime_ns))
    new.replace(old)

    assert store.get("stick").text == 'name = "stick" # 2'
    assert store.get("stick").sha256 != before.sha256


def test_files_come_and_go(tmp_path: Path) -> None:
    """A new file is found at once, a removed one is not found any more."""
    store = store_of(tmp_path, a='name = "a"')
    assert names(store) == ["a"]
    store_of(tmp_path, b='name = "b"')
    assert store.get("b").name == "b"
    (tmp_path / "a.toml").unlink()

    with pytest.raises(RigNotFoundError):
        store.get("a")
    assert names(store) == ["b"]


def test_broken_file_stops_nothing_and_is_logged_once(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """Other rigs are served; the broken one says what is wrong, by its own name or, without one, by its file's."""
    store = store_of(tmp_path, a='name = "a"', bad='name = "bent"\nbroken = 1', worse="= = =")
    (tmp_path / "worst.toml").write_bytes(b"\xff\xfe\x00")

    def load_or_refuse(path: Path) -> FakeRig:
        try:
            return load(path)
        except UnicodeDecodeError:
            raise RigFileError(f"{path.name}: is not text") from None

    store = RigStore(tmp_path, load_or_refuse)
    assert names(store) == names(store) == ["a"]
    for name, said in (("bent", "got key broken"), ("worse", "worse.toml"), ("worst", "is not text")):
        with pytest.raises(RigFileError, match=said):
            store.get(name)
    assert caplog.text.count("got key broken") == 1
    assert len(caplog.records) == 3


def test_mended_file_is_served(tmp_path: Path) -> None:
    """A rig can be used as soon as its file makes sense."""
    store = store_of(tmp_path, bad='name = "bent"\nbroken = 1')
    with pytest.raises(RigFileError):
        store.get("bent")
    store_of(tmp_path, bad='name = "bent"')

    assert store.get("bent").name == "bent"


def test_second_file_of_a_name_is_left_out(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """Of two valid files with one rig name the first by file name counts, a valid one before a broken one."""
    store = store_of(tmp_path, a='name = "x"\nbroken = 1', b='name = "x" # b', c='name = "x" # c')

    assert store.get("x").text == 'name = "x" # b'
    assert "c.toml: left out" in caplog.text


def test_a_copy_does_not_take_the_place_of_a_rig(tmp_path: Path) -> None:
    """The file that is called as its rig is counts, wherever another one of that name stands in the folder."""
    store = store_of(
        tmp_path, **{"stick-old": 'name = "stick" # old', "stick": 'name = "stick"', "a": 'name = "stick" # a'}
    )

    assert store.get("stick").text == 'name = "stick"'


def test_few_rigs_are_named_to_who_asks_for_another(tmp_path: Path) -> None:
    """Among hundreds the sentence stays short, and says how many more there are; broken files are no rigs."""
    store = store_of(tmp_path, bent="= =", **{f"rig-{number:03}": f'name = "rig-{number:03}"' for number in range(300)})
    with pytest.raises(RigNotFoundError, match="rig-007 and 292 more") as caught:
        store.get("nowhere")

    assert "bent" not in str(caught.value)


def test_folder_must_exist(tmp_path: Path) -> None:
    """A missing folder, and a file in its place, are refused when the store is made."""
    (tmp_path / "file").touch()
    for wrong in (tmp_path / "nowhere", tmp_path / "file"):
        with pytest.raises(InputFileError, match="folder of rig files is needed"):
            RigStore(wrong, load)
