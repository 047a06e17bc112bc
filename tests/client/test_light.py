"""What the client loads: seen in fresh processes, since this one has everything loaded."""

import subprocess
import sys

HEAVY = {"jax", "jaxlib", "fluxfix", "scipy"}


def loaded_after(statement: str) -> set[str]:
    """Run a statement in a fresh process and name the top-level packages that it loaded."""
    program = f"{statement}\nimport sys\nprint(*{{name.partition('.')[0] for name in sys.modules}})"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


def test_importing_the_package_loads_next_to_nothing() -> None:
    """Neither JAX nor the solver, nor gRPC, protobuf or NumPy before they are needed."""
    loaded = loaded_after("import fluxfix_client")

    assert "fluxfix_client" in loaded
    assert not loaded & (HEAVY | {"grpc", "google", "numpy"})


def test_using_the_client_loads_no_solver() -> None:
    """A connected client needs gRPC and NumPy, and never JAX or the solver."""
    loaded = loaded_after("from fluxfix_client import AsyncClient, Client\nClient('127.0.0.1:1').close()")

    assert {"grpc", "numpy"} <= loaded
    assert not loaded & HEAVY


def test_service_without_rigs_loads_no_jax() -> None:
    """The service itself, its store and its servicers need no JAX; only a rig that is loaded does."""
    assert not loaded_after("import fluxfix.service") & {"jax", "jaxlib", "scipy"}


def test_every_public_name_can_be_had() -> None:
    """The names that the package promises exist, and others do not."""
    program = "import fluxfix_client as c; [getattr(c, n) for n in c.__all__]; print(hasattr(c, 'Server'))"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)

    assert done.stdout.strip() == "False"
