"""Where the files lie that come with fluxfix: example rigs, recordings, documents and the C runtime."""

from pathlib import Path

from fluxfix.errors import InputFileError

_PACKAGE = Path(__file__).parent / "_shared"
_CHECKOUT = Path(__file__).parents[2]


def path(name: str) -> Path:
    """Find a shipped file or folder: in the installed package if it is there, else in the checkout.

    Args:
        name: relative to `shared/`, for example `rigs/boom-stick.toml`; names that begin with `c/` are the C runtime.

    Raises:
        InputFileError: nothing of that name is shipped.
    """
    if _PACKAGE.is_dir():
        found = _PACKAGE / name
    elif name.split("/", maxsplit=1)[0] == "c":
        found = _CHECKOUT / "clients" / name
    else:
        found = _CHECKOUT / "shared" / name
    if not found.exists():
        raise InputFileError(
            f"got the name {name!r}, which is not shipped with fluxfix: see the folder {found.parent}", name=name
        )
    return found
