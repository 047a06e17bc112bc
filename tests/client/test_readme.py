"""What the client's README shows, run as it stands there."""

import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

import fluxfix_client
from fluxfix.service import running
from service.fakes import store_of

README = Path(fluxfix_client.__file__).parents[1] / "README.md"


@pytest.fixture
def address(tmp_path: Path) -> Iterator[str]:
    """A service with a rig of the name that the README uses."""
    with running(store_of(tmp_path, stick='name = "boom-stick"')) as service:
        yield service.address


@pytest.mark.parametrize("number", [0, 1])
def test_examples_run(address: str, number: int, capsys: pytest.CaptureFixture[str]) -> None:
    """The first steps, and the use through reflection, work as printed but for the address."""
    examples = re.findall(r"```python\n(.*?)```", README.read_text(encoding="utf-8"), re.DOTALL)
    assert len(examples) == 2
    exec(examples[number].replace("127.0.0.1:50061", address), {"readings": np.ones((2, 3))})  # noqa: S102 our own text

    assert capsys.readouterr().out


def test_every_error_and_method_is_named() -> None:
    """The tables have each public error but the base, and each method of the client."""
    text = README.read_text(encoding="utf-8")
    errors = [name for name in fluxfix_client.__all__ if name.endswith("Error")]
    methods = [name for name in vars(fluxfix_client.Client) if not name.startswith("_") and name != "close"]

    assert [name for name in errors if f"`{name}`" not in text and name != "FluxfixClientError"] == []
    assert [name for name in methods if f"`{name}(" not in text] == []
