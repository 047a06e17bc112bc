"""What lies in bench_data says where it comes from, and names nobody's machine."""

import json
import re
import socket
from pathlib import Path

import pytest

from bench import quote

FOLDER = Path(__file__).parents[1] / "bench_data"
FILES = sorted(FOLDER.glob("*.json"))
TEXTS = ("what", "unit", "origin", "seed", "commit", "machine", "command", "date")
ABSOLUTE_PATH = re.compile(r"(?:^|[\s\"'=(])(?:/[\w.-]+){2,}|[A-Za-z]:\\|~/")


def texts(value: object) -> list[str]:
    """All texts in nested tables and lists, keys too."""
    if isinstance(value, dict):
        return [*value, *(text for one in value.values() for text in texts(one))]
    if isinstance(value, list):
        return [text for one in value for text in texts(one)]
    return [value] if isinstance(value, str) else []


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_manifest_is_complete(path: Path) -> None:
    """Every key is there and says something; the commit is one; there are rows."""
    content = json.loads(path.read_text(encoding="utf-8"))
    manifest = content["manifest"]

    assert set(content) == {"manifest", "rows"}
    assert set(manifest) == {*TEXTS, "cores", "versions"}
    assert all(manifest[key].strip() for key in TEXTS)
    assert re.fullmatch(r"[0-9a-f]{40}(-dirty)?", manifest["commit"])
    assert re.fullmatch(r"\d{4}-\d\d-\d\d", manifest["date"])
    assert manifest["command"].startswith("python ")
    assert {"python", "fluxfix", "jax", "numpy", "scipy", "magpylib", "grpcio"} <= set(manifest["versions"])
    assert manifest["cores"] >= 1
    assert content["rows"]
    assert all(isinstance(row, dict) and row for row in content["rows"])


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.stem)
def test_no_machine_is_named(path: Path) -> None:
    """There is no path of a file system and no host name in it."""
    found = texts(json.loads(path.read_text(encoding="utf-8")))

    assert not [text for text in found if ABSOLUTE_PATH.search(text)]
    assert not [text for text in found if socket.gethostname() in text.split()]


def test_paths_are_found() -> None:
    """The pattern finds paths, and leaves ratios and units alone."""
    assert all(ABSOLUTE_PATH.search(text) for text in ("/usr/bin/python x", "run --out=/tmp/a", "~/data"))
    assert not any(
        ABSOLUTE_PATH.search(text) for text in ("tests/bench/run.py", "error / √(fix sd²)", "mT/mm", "49 / 64")
    )


def test_readme_names_every_file() -> None:
    """The table of the README has one line for each file, and none for another."""
    text = (FOLDER / "README.md").read_text(encoding="utf-8")

    assert sorted(re.findall(r"^\| ([\w-]+\.json) \|", text, re.MULTILINE)) == [path.name for path in FILES]


def test_readme_quotes_what_was_measured() -> None:
    """The numbers of the README are those of the files: `python tests/bench/quote.py` writes them."""
    text = quote.README.read_text(encoding="utf-8")

    assert text == quote.quoted(text)
