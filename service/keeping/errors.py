"""What can go wrong with a backup, in words the person at the keyboard can act on."""


class KeepingError(Exception):
    """A backup could not be taken, proved or put back."""
