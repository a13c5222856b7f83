"""The embedded flow server: a child process that ends when its parent does.

Run as ``python -m pipeline.flow_server``: it binds a free port on the loopback address, prints the port, and serves until
its standard input closes, which also happens when the parent is killed.
"""

from __future__ import annotations

import os
import socket
import sys
import threading


def _end_with_parent() -> None:
    sys.stdin.buffer.read()
    os._exit(0)


def _lay_down(store: str) -> None:
    """Make what is missing of the server's tables from its own declarations: its migrations would take five seconds.

    No migration touches such a store: each version of the server has one of its own (`pipeline.flows`).
    """
    from prefect.server.database import provide_database_interface
    from sqlalchemy import create_engine
    from sqlalchemy.schema import CreateIndex, CreateTable

    engine = create_engine(f"sqlite:///{store}")
    with engine.begin() as connection:
        for table in provide_database_interface().Base.metadata.tables.values():
            connection.execute(CreateTable(table, if_not_exists=True))
            for index in table.indexes:  # one is declared twice, so that `create_all` fails
                connection.execute(CreateIndex(index, if_not_exists=True))
    engine.dispose()


def main() -> None:
    """Serve Prefect's API on loopback; the store to use is the argument, none where the environment names a database."""
    # with the protocol named, asyncio sends small answers at once (TCP_NODELAY): 0.07 s a flow instead of 0.35 s
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listener.bind(("127.0.0.1", 0))
    sys.stdout.write(f"{listener.getsockname()[1]}\n")
    sys.stdout.flush()
    threading.Thread(target=_end_with_parent, daemon=True).start()

    if len(sys.argv) > 1:
        _lay_down(sys.argv[1])
    import uvicorn
    from prefect.server.api.server import create_app

    config = uvicorn.Config(create_app, factory=True, log_level="error", lifespan="on")
    uvicorn.Server(config).run(sockets=[listener])


if __name__ == "__main__":
    main()
