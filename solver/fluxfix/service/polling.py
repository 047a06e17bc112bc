"""In which thread gRPC reads what comes in.

A version of the library keeps threads that read connections, take turns at that, and hand what they read to the thread
that is told of it: three wakings for a message, and for its answer as many. It can still read in that last thread, as
it always did before; a message then wakes nobody else. Its name for the choice is one of the environment, which it
looks at when it is imported, and which may go with any version.
"""

import os
from collections.abc import MutableMapping
from importlib import metadata

NAME = "GRPC_EXPERIMENTS"
CHOSEN = "-event_engine_client,-event_engine_listener,-event_engine_callback_cq,-event_engine_for_all_other_endpoints"
KNOWN = ("1.85",)
"""Versions of grpcio that know these names, tried; others would complain of a name that they do not know."""


def where_it_is_told(environment: MutableMapping[str, str] = os.environ) -> None:
    """Let gRPC read in the thread that is told of messages, unless somebody has chosen; before grpc is imported."""
    version = metadata.version("grpcio")
    if version.rpartition(".")[0] in KNOWN:
        environment.setdefault(NAME, CHOSEN)
