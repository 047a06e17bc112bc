"""A gRPC server that answers any unary call with as many bytes as the call's first four say, and does nothing else."""

import sys
from concurrent.futures import ThreadPoolExecutor

import grpc

METHOD = "/echo.Echo/Echo"
THREADS = 8  # as many as the service has


def _answer(request: bytes, _context: grpc.ServicerContext) -> bytes:
    return bytes(int.from_bytes(request[:4], "little"))


class _Echo(grpc.GenericRpcHandler):
    def service(self, _details: grpc.HandlerCallDetails) -> grpc.RpcMethodHandler:
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
