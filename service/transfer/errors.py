"""What this room refuses. Every message names what is wrong, its value and the way out."""


class TransferError(Exception):
    """A file that cannot be imported or exported, in words for a person."""
