"""Reading an input file, and writing an output whole or not at all.

An output is made under a temporary name in the folder where it belongs, and takes its place by a rename, which is one
step for everybody who looks. Whatever goes wrong before that, Ctrl-C included, leaves nothing behind.
"""

import errno
import os
import secrets
import shutil
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from fluxfix.errors import InputFileError, OutputError

_NO_ROOM = {errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO, errno.EROFS}
"""Errors of a write which are the disk's and not the caller's."""


def open_input(path: str | os.PathLike[str]) -> BinaryIO:
    """Open a file to read its bytes.

    Raises:
        InputFileError: there is no such file, it is a folder, or it may not be read.
    """
    try:
        if Path(path).is_dir():
            raise InputFileError(f"{path}: is a folder, needs a file", path=str(path))
        return Path(path).open("rb")
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else "the name holds a character that no file name can"
        known = {errno.ENOENT: "there is no such file", errno.EACCES: "may not be read by this user"}
        reason = known.get(error.errno or 0, reason) if isinstance(error, OSError) else reason
        raise InputFileError(f"{path}: cannot be opened: {reason}", path=str(path)) from error


def write_whole(path: str | os.PathLike[str], content: str | bytes, force: bool = False) -> None:
    """Write a file whole or not at all; text is written as UTF-8 with the line ends it has.

    Raises:
        OutputError: as `whole_file`.
    """
    with whole_file(path, force) as temporary:
        temporary.write_bytes(content.encode() if isinstance(content, str) else content)


@contextmanager
def whole_file(path: str | os.PathLike[str], force: bool = False) -> Iterator[Path]:
    """Give the name of an empty temporary file, which becomes `path` at the end, or is removed on any exception.

    Args:
        path: the output.
        force: replace it if it exists.

    Raises:
        OutputError: the output exists already (and `force` is not set), its folder is missing or not writable, the
            disk is full.
    """
    target = refuse_existing(path, force)
    temporary = _temporary_name(target)
    with _errors_of_output(path):
        os.close(os.open(temporary, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
    try:
        with _errors_of_disk(path):
            yield temporary
        with _errors_of_output(path):
            if target.exists():
                temporary.chmod(stat.S_IMODE(target.stat().st_mode))
            _sync(temporary)
            _take_place(temporary, target, force)
            _sync_folder(target.parent)
    finally:
        temporary.unlink(missing_ok=True)


@contextmanager
def whole_folder(path: str | os.PathLike[str], force: bool = False) -> Iterator[Path]:
    """Give an empty temporary folder, whose files move into `path` at the end, or vanish on any exception.

    Files of the same names in `path` are replaced, all or none; any other file there stays as it is.

    Args:
        path: the output folder; made if missing.
        force: replace files if the folder exists and is not empty.

    Raises:
        OutputError: the folder has content already (and `force` is not set), is a file, or is not writable.
    """
    target = refuse_existing_folder(path, force)
    temporary, before = _temporary_name(target), _temporary_name(target)
    with _errors_of_output(path):
        temporary.mkdir()
    try:
        with _errors_of_disk(path):
            yield temporary
        with _errors_of_output(path):
            target.mkdir(exist_ok=True)
            _move_all(temporary, target, before)
    finally:
        shutil.rmtree(temporary, ignore_errors=True)
        shutil.rmtree(before, ignore_errors=True)


def refuse_existing(path: str | os.PathLike[str], force: bool = False) -> Path:
    """Check that an output file may be written, before the work for it is begun; gives the file behind links.

    Raises:
        OutputError: it exists already (and `force` is not set), or its folder is missing.
    """
    target = Path(path)
    with _errors_of_output(path):
        if target.is_dir():
            raise OutputError(f"{path}: is a folder, needs the name of a file", path=str(path))
        if target.exists() and not target.is_file():
            raise OutputError(f"{path}: is a device, needs the name of a file", path=str(path))
        if target.exists() and not force:
            raise OutputError(f"{path}: exists already: choose another name or use --force", path=str(path))
        target = target.resolve()
        if not target.parent.is_dir():
            raise OutputError(f"{path}: its folder {target.parent} does not exist: make it first", path=str(path))
    return target


def refuse_existing_folder(path: str | os.PathLike[str], force: bool = False) -> Path:
    """Check that an output folder may be filled, before the work for it is begun; gives the folder behind links.

    Raises:
        OutputError: it has content already (and `force` is not set), is a file, or the folder it lies in is missing.
    """
    target = Path(path)
    with _errors_of_output(path):
        if target.exists() and not target.is_dir():
            raise OutputError(f"{path}: is a file, needs the name of a folder", path=str(path))
        if not force and target.is_dir() and any(target.iterdir()):
            raise OutputError(
                f"{path}: exists already and is not empty: choose another folder or use --force", path=str(path)
            )
        target = target.resolve()
        if not target.parent.is_dir():
            raise OutputError(f"{path}: its folder {target.parent} does not exist: make it first", path=str(path))
    return target


def _temporary_name(target: Path) -> Path:
    return target.with_name(f".{target.name[:80]}.{secrets.token_hex(6)}.part")


def _take_place(temporary: Path, target: Path, force: bool) -> None:
    if not force:
        try:
            os.link(temporary, target)  # unlike a rename, this fails if somebody else made the file in the meantime
        except FileExistsError:
            raise
        except OSError:  # a file system without hard links
            if target.exists():
                raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST)) from None
        else:
            return
    temporary.replace(target)


def _move_all(source: Path, target: Path, before: Path) -> None:
    """Move every file of one folder tree into another; if one cannot be moved, put all back as it was."""
    moved: list[Path] = []
    kept: list[Path] = []
    try:
        for file in sorted(file for file in source.rglob("*") if file.is_file()):
            name = file.relative_to(source)
            (target / name).parent.mkdir(parents=True, exist_ok=True)
            _refuse_folder(target / name)
            if (target / name).exists():
                (before / name).parent.mkdir(parents=True, exist_ok=True)
                (target / name).rename(before / name)
                kept.append(name)
            _sync(file)
            file.rename(target / name)
            moved.append(name)
    except BaseException:
        for name in moved:
            (target / name).unlink(missing_ok=True)
        for name in kept:
            (before / name).rename(target / name)
        raise
    _sync_folder(target)


def _refuse_folder(path: Path) -> None:
    if path.is_dir():
        raise IsADirectoryError(errno.EISDIR, f"there is a folder named {path.name} in it already")


def _sync(path: Path) -> None:
    with path.open("rb+") as file:
        os.fsync(file.fileno())


def _sync_folder(path: Path) -> None:
    with suppress(OSError):  # not every system lets a folder be opened; the content itself is on the disk already
        handle = os.open(path, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


@contextmanager
def _errors_of_output(path: str | os.PathLike[str]) -> Iterator[None]:
    try:
        yield
    except OSError as error:
        reasons = {
            errno.ENOENT: "its folder does not exist: make it first",
            errno.ENOTDIR: "a part of its path is a file, not a folder",
            errno.EACCES: "its folder is not writable by this user",
            errno.EPERM: "its folder is not writable by this user",
            errno.EROFS: "its folder is on a read-only disk",
            errno.ENOSPC: "the disk is full",
            errno.EEXIST: "exists already: choose another name or use --force",
        }
        reason = reasons.get(error.errno or 0, error.strerror or "unknown reason")
        raise OutputError(f"{path}: cannot be written: {reason}", path=str(path)) from error
    except ValueError as error:
        raise OutputError(
            f"{path}: cannot be written: the name holds a character that no file name can", path=str(path)
        ) from error


@contextmanager
def _errors_of_disk(path: str | os.PathLike[str]) -> Iterator[None]:
    """Turn only a disk's errors into ours: what else the caller's block raises is the caller's."""
    try:
        yield
    except OSError as error:
        if error.errno not in _NO_ROOM:
            raise
        raise OutputError(f"{path}: cannot be written: {os.strerror(error.errno).lower()}", path=str(path)) from error
