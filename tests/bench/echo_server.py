"""A gRPC server that answers every message with as many bytes as its first four say, and does nothing else."""

import sys
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor

import grpc

METHOD = "/echo.Echo/Echo"
STREAM = "/echo.Echo/Stream"
THREADS = 8  # as many as the service has


def _answer(request: bytes, _context: grpc.ServicerContext) -> bytes:
    return bytes(int.from_bytes(request[:4], "little"))


def _answers(requests: Iterator[bytes], context: grpc.ServicerContext) -> Iterator[bytes]:
    return (_answer(request, context) for request in requests)


class _Echo(grpc.GenericRpcHandler):
    def service(self, details: grpc.HandlerCallDetails) -> grpc.RpcMethodHandler:
        if details.method == STREAM:
            return grpc.stream_stream_rpc_method_handler(_answers)
        return grpc.unary_unary_rpc_method_handler(_answer)


def main() -> None:
    """Listen on a free port of loopback, print it, and serve until the input ends."""
    server = grpc.server(ThreadPoolExecutor(THREADS), options=(("grpc.so_reuseport", 0),))
    server.add_generic_rpc_handlers((_Echo(),))
    port = server.add_insecure_port("127.0.0.1:0")
    server.start()
    print(port, flush=True)
    sys.stdin.read()
    server.stop(0).wait()


if __name__ == "__main__":
    main()
