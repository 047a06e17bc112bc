"""Writing to a folder that several processes share: one writer at a time, each file whole or not at all.

A file is made under a temporary name, brought to the disk, and takes its place by a rename; then the folder is brought
to the disk. What a killed writer leaves behind has a temporary name, and the next writer removes it.
"""

import errno
import os
import secrets
import shutil
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

from fluxfix.service import faults

PATIENCE_S = 5.0
"""A change takes milliseconds: who waits for longer than this waits for a process that hangs."""
_POLL_S = 0.001
_LOCK = ".lock"
_PREFIX, _SUFFIX = ".store-", ".part"


@contextmanager
def changing(folder: Path, patience_s: float = PATIENCE_S) -> Iterator[None]:
    """Be the only writer among threads and processes; the system ends it when the process dies, however it dies.

    Raises:
        StoreBusyError: another writer held on for `patience_s` seconds.
        StoreError: the folder cannot be written; also for an OSError in the block.
    """
    try:
        handle = os.open(folder / _LOCK, os.O_RDWR | os.O_CREAT, 0o666)
        try:
            _wait(handle, folder, patience_s)
            _sweep(folder)
            yield
        finally:
            os.close(handle)
    except OSError as error:
        raise faults.of_disk(error, folder) from error


@contextmanager
def temporary(folder: Path, content: bytes) -> Iterator[Path]:
    """Give a file that holds `content` and is on the disk; it is removed at the end unless it has taken its place."""
    path = _temporary_name(folder)
    try:
        _write(path, content)
        yield path
    finally:
        path.unlink(missing_ok=True)


def take_place(made: Path, target: Path) -> None:
    """Let a temporary file become another one, in one step for everybody who looks."""
    with suppress(FileNotFoundError):
        shutil.copymode(target, made)
    made.replace(target)
    sync(target.parent)


def take_free_place(made: Path, target: Path) -> None:
    """Do the same where nothing is yet.

    Raises:
        FileExistsError: there is something.
    """
    try:
        os.link(made, target)  # unlike a rename, this fails if somebody copied a file there in the meantime
    except FileExistsError:
        raise
    except OSError:  # a file system without hard links
        if target.exists():
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST)) from None
        made.replace(target)
    sync(target.parent)


def write_folder(root: Path, target: Path, contents: Mapping[str, bytes]) -> None:
    """Write a folder of files whole or not at all; one that is there already stays as it is."""
    if target.is_dir():
        return
    made = _temporary_name(root)
    made.mkdir()
    try:
        for name, content in contents.items():
            _write(made / name, content)
        sync(made)
        make_folder(target.parent)
        made.rename(target)
        sync(target.parent)
    finally:
        shutil.rmtree(made, ignore_errors=True)


def make_folder(path: Path) -> None:
    """Make a folder, and those it lies in, so that they survive a power cut."""
    if path.is_dir():
        return
    make_folder(path.parent)
    path.mkdir(exist_ok=True)
    sync(path.parent)


def remove(path: Path) -> None:
    """Remove a file for good."""
    path.unlink()
    sync(path.parent)


def sync(folder: Path) -> None:
    """Bring the names in a folder to the disk."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _write(path: Path, content: bytes) -> None:
    with path.open("xb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())


def _wait(handle: int, folder: Path, patience_s: float) -> None:
    import fcntl  # noqa: PLC0415 only some systems have it, and only who writes needs it

    begin = time.monotonic()
    while True:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() - begin > patience_s:
                raise faults.StoreBusyError(
                    f"somebody else has been changing {folder.name} for {patience_s:g} s: try again", folder=folder.name
                ) from None
            time.sleep(_POLL_S)
        else:
            return


def _sweep(folder: Path) -> None:
    """Remove what killed writers left; nobody else is writing now."""
    for left in folder.glob(f"{_PREFIX}*{_SUFFIX}"):
        if left.is_dir():
            shutil.rmtree(left, ignore_errors=True)
        else:
            left.unlink(missing_ok=True)


def _temporary_name(folder: Path) -> Path:
    return folder / f"{_PREFIX}{secrets.token_hex(8)}{_SUFFIX}"
