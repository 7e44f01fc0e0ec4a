"""Whether an answer can be given in a standard at all."""

from service.domain.correction import STANDARDS, engine_free
from service.domain.engine import Engine
from service.domain.errors import Fault, Refused


def require_factor(standard: str, platform: str, engine: Engine) -> None:
    """Refuse a standard that needs to know more of a platform's engine than is recorded, naming what and the way out."""
    missing = STANDARDS[standard].missing(engine)
    if not missing:
        return
    words = (
        f"{standard} cannot be computed for {platform}: it needs {' and '.join(missing)} of its engine, which is not "
        f"recorded; record it (PATCH /v1/platforms/{platform}), or ask in another standard: {', '.join(engine_free())}"
    )
    raise Refused(words, [Fault("", words, "engine-not-recorded", parameter="standard")])
