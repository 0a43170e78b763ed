"""`python -m orchestrator.api`: the API's process, started by the daemon and started again when it ends."""

from __future__ import annotations

import argparse
import asyncio
import os
from pathlib import Path
from typing import Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

from orchestrator.api.app import make_app
from orchestrator.daemon.lines import life_is_over, listening
from orchestrator.daemon.places import Places
from orchestrator.monitor.outgoing import peer_uid


class PeerProtocol(H11Protocol):
    """HTTP whose client is the user at the other end of the socket, as the kernel knows it."""

    def connection_made(self, transport: Any) -> None:
        super().connection_made(transport)
        self.client = (str(peer_uid(transport.get_extra_info("socket"))), 0)


def main(argv: list[str] | None = None) -> int:
    """Serve until told to end."""
    args = _arguments(argv)
    places = Places(args.data, args.sockets)
    app = make_app(places, os.environ.pop("BENCHWARD_API_TOKEN", ""))
    listener = listening(places.api_sock, args.group)
    config = uvicorn.Config(app, http=PeerProtocol, lifespan="off", log_level="warning", access_log=False)
    config.timeout_graceful_shutdown = 1
    server = uvicorn.Server(config)
    asyncio.run(_serve(server, listener, args.life_fd))
    places.api_sock.unlink(missing_ok=True)
    return 0


async def _serve(server: uvicorn.Server, listener: Any, life_fd: int) -> None:
    loop = asyncio.get_running_loop()

    def look() -> None:
        if life_is_over(life_fd):
            loop.remove_reader(life_fd)
            server.should_exit = True

    loop.add_reader(life_fd, look)
    await server.serve(sockets=[listener])


def _arguments(argv: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m orchestrator.api", description=__doc__)
    parser.add_argument("--sockets", type=Path, required=True, help="folder of the daemon's sockets")
    parser.add_argument("--data", type=Path, required=True, help="the data folder")
    parser.add_argument("--life-fd", type=int, required=True, help="a pipe that closes with the daemon")
    parser.add_argument("--group", help="the group that may talk to it")
    return parser.parse_args(argv)


if __name__ == "__main__":
    raise SystemExit(main())
