"""The results in bench_data say where they come from, and nothing about whose machine it was."""

import json
import re
from pathlib import Path

import pytest

BENCH_DATA = Path(__file__).parents[1] / "bench_data"
FILES = sorted(BENCH_DATA.glob("*.json"))
NEEDED = {"what", "unit", "origin", "seed", "command", "commit", "machine", "versions", "date"}


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_each_result_has_a_whole_manifest(path: Path) -> None:
    """What, unit, origin, seed, command, commit, machine, versions and date are there, and rows to go with them."""
    found = json.loads(path.read_text(encoding="utf-8"))
    assert set(found["manifest"]) >= NEEDED
    assert all(found["manifest"][key] for key in NEEDED)
    assert re.fullmatch(r"[0-9a-f]{40}(-dirty)?", found["manifest"]["commit"])
    assert found["rows"]


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_no_result_names_a_place(path: Path) -> None:
    """No absolute path and no address stands in a result."""
    assert not re.search(r"(^|[\s\"'])/[a-z]+/|://|@", path.read_text(encoding="utf-8"))


def test_the_readme_names_every_result() -> None:
    """The table of the README and the folder hold the same files."""
    named = set(
        re.findall(r"^\| ([a-z-]+\.json) ", (BENCH_DATA / "README.md").read_text(encoding="utf-8"), re.MULTILINE)
    )
    assert {path.name for path in FILES} <= named
