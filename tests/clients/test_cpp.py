"""The C++ example, compiled and run against a service."""

from pathlib import Path

from clients.target import Target, built, check_printed, need

ROOT = Path(__file__).parents[2]
HINT = "install g++ make pkg-config libgrpc++-dev libprotobuf-dev protobuf-compiler protobuf-compiler-grpc"


def test_example_lists_and_solves(target: Target) -> None:
    """One reading and a thousand packed ones are solved as in process, over TLS with a token."""
    need("g++", "make", "pkg-config", "protoc", "grpc_cpp_plugin", hint=HINT)
    built("make", "-s", "-j2", "CXXFLAGS=-O0", folder=ROOT / "clients/cpp")

    check_printed(target.run(ROOT / "build/cpp/example"), target.rig)
