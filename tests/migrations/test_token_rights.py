"""What revision 0006 bars: tokens made by the service's role, and a token that posts for no bay or reads for one."""

from collections.abc import Iterator
from datetime import datetime

import psycopg
import pytest

from service.local import LocalServer
from service.store import tokens
from tests.conftest import migrate, new_database

MADE = "INSERT INTO token (name, scope, bay_id, secret_hash) VALUES (%s, %s, %s, sha256(%s::bytea))"


@pytest.fixture
def urls(server: LocalServer) -> Iterator[tuple[str, str]]:
    """A database with a bay in it: its owner's address and the service's."""
    owner_url, url = new_database(server, "token_rights")
    with psycopg.connect(owner_url) as owner:
        owner.execute("INSERT INTO bay (slug, name, kind) VALUES ('north', 'North', 'hub')")
    yield owner_url, url
    with psycopg.connect(server.superuser_url, autocommit=True) as above:
        above.execute("DROP DATABASE token_rights WITH (FORCE)")


@pytest.mark.parametrize(("scope", "bay"), [("post", None), ("admin", 1), ("read", 1)])
def test_what_fits_no_scope_is_made_by_nobody(server, scope, bay):
    with (
        psycopg.connect(server.owner_url) as owner,
        pytest.raises(psycopg.errors.CheckViolation, match="token_posts_for_its_bay"),
    ):
        owner.execute(MADE, ("misfit", scope, bay, "misfit"))


def rights_on(url: str) -> object:
    """Whether the service's role may make and change tokens."""
    with psycopg.connect(url) as service:
        asked = "SELECT has_table_privilege('token', 'insert'), has_table_privilege('token', 'update')"
        return service.execute(asked).fetchone()


def test_down_and_up_again_gives_the_right_and_takes_it_and_ends_what_was_made_amiss(urls):
    owner_url, url = urls
    assert rights_on(url) == (False, False)
    migrate(owner_url, "downgrade", "0005")
    assert rights_on(url) == (True, True)
    with psycopg.connect(url) as service:
        for name, scope, bay in [
            ("misfit", "post", None),
            ("bayed", "read", 1),
            ("north", "post", 1),
            ("ann", "admin", None),
        ]:
            service.execute(MADE, (name, scope, bay, name))
    migrate(owner_url)
    assert rights_on(url) == (False, False)
    with psycopg.connect(owner_url) as owner:
        ended = {one.name: one.revoked_at for one in tokens.list_tokens(owner)}
        assert isinstance(ended.pop("misfit"), datetime)
        assert isinstance(ended.pop("bayed"), datetime)
        assert ended == {"north": None, "ann": None}
        assert tokens.revoke_token(owner, 3), "what fits can be ended as ever"
