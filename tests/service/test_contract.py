"""What Python and the wire must agree on."""

import pytest

from fluxfix.service.errors import CODES
from fluxfix.service.methods import NEEDS
from fluxfix.service.servicers import SERVICES
from fluxfix.status import Status, text
from fluxfix_client.v1 import (
    calibration_service_pb2,
    fix_pb2,
    progress_pb2,
    rig_service_pb2,
    solve_service_pb2,
    study_service_pb2,
    table_service_pb2,
)
from fluxfix_client.values import status_text

MODULES = [
    calibration_service_pb2,
    fix_pb2,
    progress_pb2,
    rig_service_pb2,
    solve_service_pb2,
    study_service_pb2,
    table_service_pb2,
]
GIVEN = fix_pb2.StatusFlag.items()


def test_status_bits_are_those_of_the_wire() -> None:
    """Every flag has the same bit and the same name on both sides, and neither side has one more."""
    wire = {name.removeprefix("STATUS_FLAG_"): value for name, value in GIVEN if value}

    assert wire == {flag.name: flag.value for flag in Status}
    assert all(name.startswith("STATUS_FLAG_") for name, _ in GIVEN)


def test_words_of_a_status_are_those_of_the_files() -> None:
    """For every combination of flags the client writes what recordings carry."""
    everything = sum(flag.value for flag in Status)
    assert everything == 2 ** len(Status) - 1
    for status in range(everything + 1):
        assert status_text(status) == text(status)


@pytest.mark.parametrize("module", MODULES)
def test_descriptors_keep_the_name_of_their_definition(module: object) -> None:
    """Another copy of the stubs can live in the same process only if file names agree."""
    stem = module.__name__.rpartition(".")[2].removesuffix("_pb2")
    assert f"fluxfix/v1/{stem}.proto" == module.DESCRIPTOR.name


def test_every_service_is_served_and_every_method_has_its_needs() -> None:
    """A service of the definitions that a server forgets, or a method without role and lane, is noticed here."""
    defined = [service for module in MODULES for service in module.DESCRIPTOR.services_by_name.values()]

    assert {service.full_name for service in defined} == set(SERVICES)
    assert {f"/{service.full_name}/{method.name}" for service in defined for method in service.methods} <= set(NEEDS)


def test_reasons_are_distinct_and_in_capitals() -> None:
    """A caller can tell errors apart by reason (AIP-193: capitals, digits and underscores, at most 63 characters)."""
    reasons = [reason for _, reason in CODES.values() if reason]

    assert len(set(reasons)) == len(reasons)
    assert all(reason.replace("_", "").isupper() and len(reason) <= 63 for reason in reasons)
