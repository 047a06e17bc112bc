"""Light client of the fluxfix service: NumPy readings in, fixes out; needs no JAX.

Importing it loads nothing: gRPC and NumPy come with the first name that is used.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fluxfix_client.aio import AsyncClient as AsyncClient
    from fluxfix_client.channel import Tls as Tls
    from fluxfix_client.client import Client as Client
    from fluxfix_client.errors import AccessError as AccessError
    from fluxfix_client.errors import ConflictError as ConflictError
    from fluxfix_client.errors import DeadlineError as DeadlineError
    from fluxfix_client.errors import ExhaustedError as ExhaustedError
    from fluxfix_client.errors import FluxfixClientError as FluxfixClientError
    from fluxfix_client.errors import InvalidArgumentError as InvalidArgumentError
    from fluxfix_client.errors import NotFoundError as NotFoundError
    from fluxfix_client.errors import UnavailableError as UnavailableError
    from fluxfix_client.results import CalibratedParameter as CalibratedParameter
    from fluxfix_client.results import Calibration as Calibration
    from fluxfix_client.results import Latency as Latency
    from fluxfix_client.results import RateJoint as RateJoint
    from fluxfix_client.results import Rates as Rates
    from fluxfix_client.results import Revision as Revision
    from fluxfix_client.results import SamplingRate as SamplingRate
    from fluxfix_client.results import Table as Table
    from fluxfix_client.results import TableJoint as TableJoint
    from fluxfix_client.surveys import Separation as Separation
    from fluxfix_client.surveys import SeparationMinimum as SeparationMinimum
    from fluxfix_client.surveys import Survey as Survey
    from fluxfix_client.surveys import SurveyJoint as SurveyJoint
    from fluxfix_client.surveys import SurveyPlaces as SurveyPlaces
    from fluxfix_client.surveys import SurveyValue as SurveyValue
    from fluxfix_client.tracks import Tracks as Tracks
    from fluxfix_client.values import Fixes as Fixes
    from fluxfix_client.values import Joint as Joint
    from fluxfix_client.values import Rig as Rig

_HOMES = {
    "AccessError": "errors",
    "AsyncClient": "aio",
    "CalibratedParameter": "results",
    "Calibration": "results",
    "Client": "client",
    "ConflictError": "errors",
    "DeadlineError": "errors",
    "ExhaustedError": "errors",
    "Fixes": "values",
    "FluxfixClientError": "errors",
    "InvalidArgumentError": "errors",
    "Joint": "values",
    "Latency": "results",
    "NotFoundError": "errors",
    "RateJoint": "results",
    "Rates": "results",
    "Revision": "results",
    "Rig": "values",
    "SamplingRate": "results",
    "Separation": "surveys",
    "SeparationMinimum": "surveys",
    "Survey": "surveys",
    "SurveyJoint": "surveys",
    "SurveyPlaces": "surveys",
    "SurveyValue": "surveys",
    "Table": "results",
    "TableJoint": "results",
    "Tls": "channel",
    "Tracks": "tracks",
    "UnavailableError": "errors",
}
__all__ = list(_HOMES)


def __getattr__(name: str) -> Any:
    """Load a public name when it is first used."""
    if name in _HOMES:
        return getattr(import_module(f"fluxfix_client.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'fluxfix_client' has no attribute {name!r}")


def __dir__() -> list[str]:
    return __all__
