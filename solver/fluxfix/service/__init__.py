"""The service: rigs and fixes over gRPC. A method converts in, calls the façade once, converts out.

Importing it loads nothing: what looks after workers needs no JAX.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fluxfix.service.limits import Limits as Limits
    from fluxfix.service.server import Service as Service
    from fluxfix.service.server import create_server as create_server
    from fluxfix.service.server import running as running
    from fluxfix.service.server import serve as serve
    from fluxfix.service.settings import Settings as Settings
    from fluxfix.service.store import RigStore as RigStore
    from fluxfix.service.tls import Tls as Tls

_HOMES = {
    "Limits": "limits",
    "RigStore": "store",
    "Service": "server",
    "Settings": "settings",
    "Tls": "tls",
    "create_server": "server",
    "running": "server",
    "serve": "server",
}
__all__ = list(_HOMES)


def __getattr__(name: str) -> Any:
    """Load a public name when it is first used."""
    if name in _HOMES:
        return getattr(import_module(f"fluxfix.service.{_HOMES[name]}"), name)
    raise AttributeError(f"module 'fluxfix.service' has no attribute {name!r}")
