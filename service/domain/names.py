"""Names of parts and cars inside sentences."""


def quoted(name: str) -> str:
    """A name with a comma in it stands in quotes, so that a sentence with it can be read aloud."""
    return f"\u201c{name}\u201d" if "," in name else name


def in_sentence(name: str) -> str:
    """A part's name in the middle of a sentence: `Road calibration` loses its capital, `ECU board` keeps it."""
    return quoted(name[:1].lower() + name[1:] if name[1:2].islower() else name)
