"""What revision 0004 lets nobody do: rewrite the history, but for the one function that forgets a car."""

import psycopg
import pytest

OWN_WAYS = (
    "UPDATE history SET reason = NULL",
    "DELETE FROM history",
    "TRUNCATE history",
    "DELETE FROM setting",
    # a function of the owner's own is not the one that may
    """
    CREATE FUNCTION pg_temp.erase_vehicle_by_hand() RETURNS void LANGUAGE plpgsql AS
    $$BEGIN DELETE FROM public.history; END$$;
    SELECT pg_temp.erase_vehicle_by_hand()
    """,
    """
    CREATE FUNCTION pg_temp.erase_vehicle(integer, text) RETURNS void LANGUAGE plpgsql AS
    $$BEGIN DELETE FROM public.history; END$$;
    SELECT pg_temp.erase_vehicle(1, '')
    """,
)


@pytest.mark.parametrize("words", OWN_WAYS)
def test_the_owner_itself_rewrites_no_history_by_another_way(server, words):
    with psycopg.connect(server.owner_url) as owner:
        with pytest.raises(psycopg.errors.RaiseException, match="append-only"):
            owner.execute(words)
        owner.rollback()


def test_nobody_but_the_service_may_call_what_forgets(server):
    with psycopg.connect(server.superuser_url) as above:
        above.execute("CREATE ROLE a_stranger")
        may = {
            role: above.execute(
                "SELECT has_function_privilege(%s, 'erase_vehicle(integer, text)', 'EXECUTE')", (role,)
            ).fetchone()
            for role in ("a_stranger", "bayledger_service")
        }
        above.rollback()
    assert may == {"a_stranger": (False,), "bayledger_service": (True,)}


def test_what_forgets_looks_up_its_tables_in_no_schema_of_the_callers(server):
    with psycopg.connect(server.owner_url) as owner:
        found = owner.execute(
            "SELECT prosecdef, proconfig FROM pg_proc WHERE proname = 'erase_vehicle'"
        ).fetchone()
    assert found == (True, ["search_path=public, pg_temp"])


def test_a_car_is_forgotten_only_under_a_tag_that_says_nothing(connection):
    for neutral in ("smiths-car", "erased-", "erased-0123456789ab-x", "ERASED-0123456789AB"):
        with pytest.raises(psycopg.errors.RaiseException), connection.transaction():
            connection.execute("SELECT erase_vehicle(1, %s)", (neutral,))
