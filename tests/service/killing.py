"""Writers that are killed at random instants: run as `python killing.py FOLDER KILLS SEED`, prints what was seen.

A writer replaces the text of one rig again and again, and tells each number when the store has taken it. Writers are
forked from this small process, which has no threads. The instants spread over three times the length of one change.
"""

import json
import os
import select
import signal
import sys
import time
from pathlib import Path

import numpy as np

from fluxfix.service.revisions import sha256
from fluxfix.service.store import RigStore
from service.fakes import load

NAME = "stick"
FILL = 200_000  # bytes of a text: its write takes a good part of a change
MOST = 100_000  # changes: more than any run makes


def text_of(number: int) -> str:
    """Give the text with a number."""
    return f'name = "{NAME}"\n# {number}\n# ' + str(number % 10) * FILL + "\n"


def number_of(content: bytes) -> int:
    """Read the number of a text, which must be whole."""
    number = int(content.split(b"\n")[1].removeprefix(b"# "))
    assert content == text_of(number).encode(), "half a file"
    return number


def write_on(folder: Path, told: int) -> None:
    """Replace until killed."""
    store = RigStore(folder, load)
    rig = store.get(NAME)
    for number in range(number_of(rig.text.encode()) + 1, MOST):
        rig = store.replace(NAME, text_of(number), rig.sha256)
        os.write(told, number.to_bytes(4, "big"))


def killed_after(folder: Path, delay_s: float) -> list[int]:
    """Fork a writer, kill it `delay_s` seconds after its first change, and give the numbers that it told."""
    heard, told = os.pipe()
    writer = os.fork()
    if writer == 0:
        os.close(heard)
        try:
            write_on(folder, told)
        finally:
            os._exit(1)
    os.close(told)
    numbers = [int.from_bytes(os.read(heard, 4), "big")]
    end = time.monotonic() + delay_s
    while (left := end - time.monotonic()) > 0 and select.select([heard], [], [], left)[0]:
        numbers.append(int.from_bytes(os.read(heard, 4), "big"))
    os.kill(writer, signal.SIGKILL)
    os.waitpid(writer, 0)
    while data := os.read(heard, 4):
        numbers.append(int.from_bytes(data, "big"))
    os.close(heard)
    return numbers


def main(folder: Path, kills: int, seed: int) -> None:
    """Kill writers one after the other, and look at the folder after each."""
    store = RigStore(folder, load)
    begin = time.monotonic()
    store.create(text_of(0))
    change_s = time.monotonic() - begin
    instants = np.random.default_rng(seed)
    acknowledged, in_doubt, left_behind = {0}, 0, 0
    for _ in range(kills):
        numbers = killed_after(folder, instants.uniform(0.0, 3.0 * change_s))
        acknowledged.update(numbers)
        left_behind += len(list(folder.glob(".store-*")))
        present = number_of((folder / f"{NAME}.toml").read_bytes())
        assert present in {numbers[-1], numbers[-1] + 1}, f"told {numbers[-1]}, the rig is {present}"
        in_doubt += present != numbers[-1]
        revisions = store.revisions(NAME)[::-1]
        kept = [number_of(revision.path.read_bytes()) for revision in revisions]
        assert kept == sorted(set(kept)), "revisions out of order"
        assert kept[-1] == present, "the present text is not the last revision"
        assert acknowledged <= set(kept), f"lost {sorted(acknowledged - set(kept))}"
    rig = store.get(NAME)
    last = number_of(rig.text.encode()) + 1
    assert store.replace(NAME, text_of(last), rig.sha256).sha256 == sha256(text_of(last).encode())
    assert not list(folder.glob(".store-*")), "the next writer does not clean up"
    seen = {
        "kills": kills,
        "acknowledged": len(acknowledged),
        "took_effect_unacknowledged": in_doubt,
        "temporary_files_left": left_behind,
        "change_ms": 1e3 * change_s,
    }
    sys.stdout.write(json.dumps(seen))


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
