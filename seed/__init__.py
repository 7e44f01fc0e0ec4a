"""The invented shop: The Thornby & Vale Rolling Room, posted through the public door.

`load(url, token)` fills a running ledger over HTTP as four bays would. Nothing here imports the ledger's own code:
the shop's physics and its correction formulas are written a second time, so that the ledger can be judged by them.
"""

from seed.post import PostRefusedError, Summary, load

__all__ = ["PostRefusedError", "Summary", "load"]
