"""Writers that race for one rig: run as `python racing.py FOLDER WRITERS CHANGES`, prints what was seen.

Every text names the state that its writer had seen: where an edit were lost, a revision would not name the one before.
Writers are forked from this small process, which has no threads.
"""

import itertools
import json
import os
import sys
import time
from pathlib import Path

from fluxfix.service import faults
from fluxfix.service.revisions import sha256
from fluxfix.service.store import RigStore
from service.fakes import load

NAME = "stick"


def text_of(seen: str, writer: int, number: int) -> str:
    """Give the text that a writer makes of the state it has seen."""
    return f'name = "{NAME}"\n# {seen}\n# {writer} {number}\n'


def write(folder: Path, writer: int, changes: int) -> int:
    """Make changes, each as often as it takes; give how often somebody else was faster."""
    store = RigStore(folder, load)
    beaten = 0
    for number in range(changes):
        while True:
            seen = store.get(NAME).sha256
            try:
                store.replace(NAME, text_of(seen, writer, number), seen)
                break
            except faults.EtagError:
                beaten += 1
    return beaten


def forked(folder: Path, writer: int, changes: int) -> tuple[int, int]:
    """Start a writer in a process of its own; give its number and where it tells how often it was beaten."""
    heard, told = os.pipe()
    process = os.fork()
    if process == 0:
        os.close(heard)
        code = 1
        try:
            os.write(told, write(folder, writer, changes).to_bytes(4, "big"))
            code = 0
        finally:
            os._exit(code)
    os.close(told)
    return process, heard


def main(folder: Path, writers: int, changes: int) -> None:
    """Let writers race, and look at the folder when all are done."""
    store = RigStore(folder, load)
    store.create(text_of("nothing", 0, -1))
    begin = time.monotonic()
    racing = [forked(folder, writer, changes) for writer in range(writers)]
    beaten = []
    for process, heard in racing:
        beaten.append(int.from_bytes(os.read(heard, 4), "big"))
        os.close(heard)
        assert os.waitpid(process, 0)[1] == 0, "a writer failed"
    seconds = time.monotonic() - begin
    revisions = [revision.path.read_bytes() for revision in store.revisions(NAME)[::-1]]
    assert len(revisions) == writers * changes + 1, f"{len(revisions)} revisions"
    for before, after in itertools.pairwise(revisions):
        assert after.split(b"\n")[1] == b"# " + sha256(before).encode(), "an edit was lost"
    assert (folder / f"{NAME}.toml").read_bytes() == revisions[-1], "the present text is not the last revision"
    assert not list(folder.glob(".store-*")), "something was left"
    seen = {"writers": writers, "changes": writers * changes, "beaten": sum(beaten), "seconds": seconds}
    sys.stdout.write(json.dumps(seen))


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
