"""Looking into the folder of a store."""

from pathlib import Path

from fluxfix.service import RigStore


def texts(store: RigStore, name: str = "stick") -> list[str]:
    """Give every text of a rig, oldest first."""
    return [revision.path.read_text(encoding="utf-8") for revision in store.revisions(name)[::-1]]


def names(folder: Path) -> list[str]:
    """Name every file and folder, apart from the lock."""
    return sorted(str(path.relative_to(folder)) for path in folder.rglob("*") if path.name != ".lock")
