"""The shop's settings, as the write side reads them."""

from service.domain.shop import Shop, shop_of
from service.store import settings as store
from service.store.db import Connection


def shop_in_force(conn: Connection) -> Shop:
    """The settings as they hold at this moment."""
    rows = store.current_settings(conn)
    return shop_of(store.settings_version(conn), [(row.name, row.bay, row.value) for row in rows])
