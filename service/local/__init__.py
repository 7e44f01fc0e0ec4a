"""The ledger's own Postgres: found, started, shared between processes, stopped."""

from service.local.errors import LocalServerError, NoRoomError, VersionMismatchError
from service.local.server import LocalServer, start_server

__all__ = ["LocalServer", "LocalServerError", "NoRoomError", "VersionMismatchError", "start_server"]
