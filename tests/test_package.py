"""What holds for the package as a whole: the wheel, what modules load, the locks, the README."""

import io
import re
import subprocess
import sys
from contextlib import redirect_stdout
from pathlib import Path

import pytest

TOP = Path(__file__).parents[1]

IN_THE_WHEEL = """
import sys
sys.path.insert(0, {target!r})
import fluxfix, fluxfix_client
from fluxfix import rigfile, shipped
from fluxfix.cli.run import run
assert fluxfix.__file__.startswith({target!r}), fluxfix.__file__
assert fluxfix_client.__file__.startswith({target!r}), fluxfix_client.__file__
assert str(shipped.path("rigs/boom-stick.toml")).startswith({target!r})
for kind in rigfile.TEMPLATES:
    rigfile.parse(rigfile.template(kind))
rig = fluxfix.load_rig(shipped.path("rigs/rate-slider.toml"))
assert abs(rig.solve(rig.readings([3.0])).position[0] - 3.0) < 1e-6
table = fluxfix.build_table(rig, "1%")
table.write({out!r})
assert run(["check", str(shipped.path("rigs/rate-slider.toml"))]) == 0
from fluxfix.report import rates_page
rates_page(fluxfix.study_rates(rig, rates_hz=[1000.0], table=table, remedies=False))
print(fluxfix.__version__)
"""


def test_the_wheels_work_outside_the_checkout(tmp_path: Path) -> None:
    """Built, installed to an empty folder and run from elsewhere, both wheels find all that they need."""
    wheels, target, out = tmp_path / "wheels", tmp_path / "site", tmp_path / "table"
    pip = [sys.executable, "-m", "pip", "--quiet", "--disable-pip-version-check"]
    for source in (TOP / "clients/python", TOP):
        command = [*pip, "wheel", "--no-deps", "--no-build-isolation", "--no-index", "-w", str(wheels), str(source)]
        subprocess.run(command, check=True, capture_output=True)
    built = [str(path) for path in wheels.iterdir()]
    assert len(built) == 2
    command = [*pip, "install", "--no-deps", "--no-index", "--target", str(target), *built]
    subprocess.run(command, check=True, capture_output=True)
    script = IN_THE_WHEEL.format(target=str(target), out=str(out))
    done = subprocess.run([sys.executable, "-c", script], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert (out / "ffx_table.c").exists()


@pytest.mark.parametrize(
    ("module", "absent"),
    [
        ("fluxfix", ("jax", "numpy", "grpc", "pydantic", "scipy", "matplotlib")),
        ("fluxfix.rigfile", ("jax", "grpc", "scipy", "matplotlib", "pyarrow")),
        ("fluxfix.recordings", ("jax", "grpc", "scipy", "matplotlib")),
        ("fluxfix.figures", ("jax", "grpc", "scipy")),
        ("fluxfix_client", ("jax", "fluxfix", "scipy", "pydantic")),
        ("fluxfix.field", ("grpc", "scipy", "pydantic", "pyarrow", "matplotlib")),
        ("fluxfix.inverse.solver", ("grpc", "scipy", "pydantic", "pyarrow", "matplotlib")),
    ],
)
def test_a_module_loads_only_what_it_may(module: str, absent: tuple[str, ...]) -> None:
    """In a fresh process, importing a module leaves heavy packages that it must not need unloaded."""
    script = f"import sys, {module}; print(sorted(set(sys.modules) & set({absent!r})))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_importing_fluxfix_switches_float64_on_before_and_after_jax() -> None:
    """Whichever is imported first, arrays are float64."""
    for order in ("import fluxfix, jax", "import jax, fluxfix"):
        script = f"{order}; import jax.numpy as jnp; assert jnp.zeros(1).dtype == 'float64'"
        subprocess.run([sys.executable, "-c", script], check=True)


def test_locks_pin_hashes_and_name_no_host() -> None:
    """Every pinned package has a hash, and no lock holds an address."""
    locks = sorted((TOP / "solver/locks").glob("*.lock"))
    assert [lock.name for lock in locks] == ["bootstrap.lock", "dev.lock", "proto.lock", "run.lock"]
    for lock in locks:
        text = lock.read_text(encoding="utf-8")
        assert "://" not in text
        pins = re.findall(r"^[a-z0-9][^\n]*==[^\n]*(?:\n    --hash=sha256:[0-9a-f]{64}[^\n]*)+", text, re.MULTILINE)
        assert len(pins) == len(re.findall(r"^[a-z0-9]", text, re.MULTILINE))


def test_the_example_of_the_readme_prints_what_it_says(monkeypatch: pytest.MonkeyPatch) -> None:
    """The Python example is run, and its output compared with the block below it."""
    text = (TOP / "README.md").read_text(encoding="utf-8")
    found = re.search(r"```python\n(.*?)```\nprints\n```text\n(.*?)```", text, re.DOTALL)
    assert found is not None
    monkeypatch.chdir(TOP)
    printed = io.StringIO()
    with redirect_stdout(printed):
        exec(compile(found[1], "README.md", "exec"), {})  # noqa: S102 our own README
    assert printed.getvalue() == found[2]
