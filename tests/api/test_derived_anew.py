"""What an earlier version derived is derived by today's way, from what was posted."""

from service.domain.derive import METHOD
from service.ledger.marking import derive_outdated
from tests.factories import RPM, session, setup


def measured(client) -> str:
    """Two setups with their mixture along the curve; answers the session's address."""
    states = [setup(parts, scale, pulls=2) for parts, scale in (([], 1.0), (["wide-pipe"], 1.05))]
    for state in states:
        for one in state["pulls"]:
            one["curve"]["lambda"] = [0.86] * len(RPM)
    return client.post("/v1/sessions", session(*states)).headers["Location"]


def test_figures_and_channels_come_back_as_todays_way_derives_them(stoats, connection):
    address = measured(stoats)
    today, curve = stoats.get(address).json, stoats.get(f"{address}/setups/1/curve").json
    connection.execute("UPDATE setup_summary SET method = %s, power_kw = 1.0", (METHOD - 1,))
    connection.execute("UPDATE setup_curve SET channels = '{}', channel_values = ''")
    connection.execute("UPDATE pull SET power_kw = 1.0, rpm_to = 1.0")
    assert stoats.get(address).json != today
    assert derive_outdated(connection) == 1
    assert stoats.get(address).json == today
    assert stoats.get(f"{address}/setups/1/curve").json == curve
    assert derive_outdated(connection) == 0
