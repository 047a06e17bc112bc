"""Outputs are written whole or not at all, and nothing is left behind; inputs that cannot be opened are named."""

import errno
import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from fluxfix import errors, files


def names(folder):
    """All that lies in a folder."""
    return sorted(path.name for path in folder.iterdir())


def test_text_and_bytes(tmp_path):
    """Bytes are written as they are, text as UTF-8 with its own line ends."""
    files.write_whole(tmp_path / "a", b"\0\r\n")
    files.write_whole(tmp_path / "b", "µ\n")

    assert (tmp_path / "a").read_bytes() == b"\0\r\n"
    assert (tmp_path / "b").read_bytes() == b"\xc2\xb5\n"
    assert names(tmp_path) == ["a", "b"]


def test_existing_file_stays(tmp_path):
    """Without force an existing file is left alone; with force it is replaced and keeps its permissions."""
    path = tmp_path / "a"
    path.write_text("old")
    path.chmod(0o640)

    with pytest.raises(errors.OutputError, match="exists already: choose another name or use --force"):
        files.write_whole(path, "new")
    assert path.read_text() == "old"
    files.write_whole(path, "new", force=True)

    assert path.read_text() == "new"
    assert stat.S_IMODE(path.stat().st_mode) == 0o640
    assert names(tmp_path) == ["a"]


def test_file_that_appears_meanwhile_stays(tmp_path):
    """A file that somebody else makes while ours is being written is not replaced either."""
    path = tmp_path / "a"

    def slow():
        with files.whole_file(path) as temporary:
            temporary.write_text("ours")
            path.write_text("theirs")

    with pytest.raises(errors.OutputError, match="exists already"):
        slow()

    assert path.read_text() == "theirs"
    assert names(tmp_path) == ["a"]


@pytest.mark.parametrize("error", [RuntimeError, KeyboardInterrupt])
def test_nothing_left_after_an_exception(tmp_path, error):
    """An exception in the middle, Ctrl-C included, leaves the folder as it was."""
    (tmp_path / "a").write_text("old")

    def interrupted():
        with files.whole_file(tmp_path / "a", force=True) as temporary:
            temporary.write_text("half")
            raise error

    with pytest.raises(error):
        interrupted()

    assert names(tmp_path) == ["a"]
    assert (tmp_path / "a").read_text() == "old"


def test_place_that_cannot_be_written(tmp_path):
    """Folder missing, folder is a file, name is a folder, a device, a name no file can have: a sentence each."""
    (tmp_path / "file").write_text("")
    cases = {
        tmp_path / "none" / "a": "does not exist: make it first",
        tmp_path / "file" / "a": "is a file, not a folder|does not exist",
        tmp_path: "is a folder, needs the name of a file",
        Path("/dev/null"): "is a device",
        tmp_path / ("x" * 300): "cannot be written: File name too long",
        "a\0b": "a character that no file name can",
    }
    for path, words in cases.items():
        with pytest.raises(errors.OutputError, match=words):
            files.write_whole(path, "")
    assert names(tmp_path) == ["file"]


def test_folder_not_writable(tmp_path):
    """A user who may not write into a folder is told so; tried as another user, since root may write anywhere."""
    tmp_path.chmod(0o755)
    code = (
        "import os, sys; from fluxfix import errors, files\n"
        "os.getuid() or os.setuid(65534)\n"
        "try: files.write_whole(sys.argv[1], '')\n"
        "except errors.OutputError as error: print(error)\n"
    )
    target = tmp_path / "inside" / "a"
    target.parent.mkdir(mode=0o555)
    for parent in tmp_path.parents:
        if parent.stat().st_uid == os.getuid() and parent.name.startswith("pytest"):
            parent.chmod(0o755)

    seen = subprocess.run([sys.executable, "-c", code, str(target)], check=True, capture_output=True, text=True).stdout

    assert "its folder is not writable by this user" in seen
    assert names(target.parent) == []


def test_full_disk(tmp_path):
    """An error of the disk while the block writes is ours to tell; other errors are the block's own."""
    with pytest.raises(errors.OutputError, match="no space left on device"), files.whole_file(tmp_path / "a"):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
    with pytest.raises(ConnectionError), files.whole_file(tmp_path / "a"):
        raise ConnectionError
    assert names(tmp_path) == []


def test_through_a_link(tmp_path):
    """A link stays a link; the file behind it is replaced."""
    (tmp_path / "real").write_text("old")
    (tmp_path / "link").symlink_to("real")

    files.write_whole(tmp_path / "link", "new", force=True)

    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real").read_text() == "new"


def test_killed_in_the_middle(tmp_path):
    """A process that is killed leaves the old file whole."""
    path = tmp_path / "a"
    path.write_text("old" * 1000)
    code = (
        "import sys; from fluxfix import files\n"
        "while True: files.write_whole(sys.argv[1], 'new' * 1000, force=True); print(flush=True)\n"
    )
    with subprocess.Popen([sys.executable, "-c", code, str(path)], stdout=subprocess.PIPE) as process:
        process.stdout.readline()
        process.kill()

    assert path.read_text() == "new" * 1000


def test_folder_is_made(tmp_path):
    """A new folder gets its files, in their sub-folders."""
    with files.whole_folder(tmp_path / "out") as temporary:
        (temporary / "a").write_text("1")
        (temporary / "sub").mkdir()
        (temporary / "sub" / "b").write_text("2")

    assert names(tmp_path) == ["out"]
    assert (tmp_path / "out" / "sub" / "b").read_text() == "2"


def test_folder_keeps_what_is_not_ours(tmp_path):
    """With force, files of the same names are replaced, others stay; without force a filled folder is refused."""
    out = tmp_path / "out"
    out.mkdir()
    (out / "a").write_text("old")
    (out / "notes").write_text("mine")

    with pytest.raises(errors.OutputError, match="is not empty"), files.whole_folder(out):
        pytest.fail("must not get here")
    with files.whole_folder(out, force=True) as temporary:
        (temporary / "a").write_text("new")

    assert (out / "a").read_text() == "new"
    assert (out / "notes").read_text() == "mine"
    assert names(tmp_path) == ["out"]


def test_folder_after_an_exception(tmp_path):
    """Nothing is made or replaced if the block raises."""

    def interrupted():
        with files.whole_folder(tmp_path / "out") as temporary:
            (temporary / "a").write_text("half")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()

    assert names(tmp_path) == []


def test_folder_all_or_none(tmp_path):
    """If one file cannot take its place, those that had taken theirs are put back."""
    out = tmp_path / "out"
    (out / "b").mkdir(parents=True)
    (out / "b" / "inside").write_text("mine")
    (out / "a").write_text("old")

    def write():
        with files.whole_folder(out, force=True) as temporary:
            (temporary / "a").write_text("new")
            (temporary / "b").write_text("a file where a folder is")

    with pytest.raises(errors.OutputError):
        write()

    assert (out / "a").read_text() == "old"
    assert (out / "b" / "inside").read_text() == "mine"
    assert names(tmp_path) == ["out"]


def test_input_that_cannot_be_opened(tmp_path):
    """Missing, a folder, an impossible name: a sentence each."""
    for path, words in {
        tmp_path / "none": "there is no such file",
        tmp_path: "is a folder",
        "a\0b": "no file name can",
    }.items():
        with pytest.raises(errors.InputFileError, match=words):
            files.open_input(path)
