"""What `tests/api` has: a shop with one of everything, and a bay's own client."""

from tests.api.conftest import bay, shop, shop_url  # noqa: F401
