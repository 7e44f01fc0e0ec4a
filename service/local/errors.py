"""What can go wrong with the ledger's own Postgres, in words the person at the keyboard can act on."""


class LocalServerError(Exception):
    """The ledger's own Postgres could not be used."""


class VersionMismatchError(LocalServerError):
    """The data folder was written by another major version of Postgres than the ones found here."""


class NoRoomError(LocalServerError):
    """The disk that holds the data folder is full."""
