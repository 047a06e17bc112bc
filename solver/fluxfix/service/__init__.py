"""The service: rigs and fixes over gRPC. A method converts in, calls the façade once, converts out."""

from fluxfix.service.server import Service, create_server, running, serve
from fluxfix.service.store import RigStore

__all__ = ["RigStore", "Service", "create_server", "running", "serve"]
