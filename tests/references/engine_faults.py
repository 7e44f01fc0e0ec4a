"""Faults of the engine and its conditions: heat, mixture, spark, air path, exhaust."""

from dataclasses import replace

import numpy as np

from seed.engines import spooled
from service.domain.checks.mixture import PROBES
from service.domain.records import PostedPull
from tests.references.good import Post
from tests.references.planting import (
    Rng,
    accepted,
    bent,
    bump,
    either,
    fault,
    is_stock,
    log_size,
    rise,
    scaled,
    share,
    with_channels,
    without,
)


def boosted_petrol(post: Post) -> bool:
    """Whether it is turbocharged with spark ignition."""
    return post.platform.engine.kind == "turbo"


def petrol(post: Post) -> bool:
    """Whether it has spark ignition."""
    return post.platform.engine.kind != "diesel"


def added(pull: PostedPull, name: str, more: object) -> PostedPull:
    """A pull with something added to a channel."""
    return with_channels(pull, **{name: pull.channels[name] + more})


def warmer(pull: PostedPull, by: float, power_per_c: float = 0.0) -> PostedPull:
    """A pull begun with hotter inlet air, which costs power."""
    hot = replace(pull, inlet_c=(pull.inlet_c or 0.0) + by, inlet_end_c=(pull.inlet_end_c or 0.0) + by)
    return scaled(added(hot, "inlet", by), -power_per_c * by)


def pull_by_pull(post: Post, bend: object, setups: tuple[int, ...] | None = None) -> Post:
    """Bend each accepted pull by its turn in the setup."""
    longest = max(len(accepted(setup)) for setup in post.session.setups)
    for turn in range(longest):
        post = bent(post, lambda pull, turn=turn: bend(pull, turn), setups, (turn,))  # type: ignore[operator, misc]
    return post


@fault("warm-up-pull", "pull 1 is 0.8..4 % low, oil 6..30 degC colder")
def warm_up(post: Post, rng: Rng) -> Post:
    """The first pull ran on cold oil and was not marked."""
    low, cold = log_size(rng, 0.008, 0.04), rng.uniform(6.0, 30.0)

    def begin(pull: PostedPull) -> PostedPull:
        return scaled(replace(pull, oil_c=(pull.oil_c or 90.0) - cold), -low)

    return bent(post, begin, (1,), (0,))


@fault("heat-soak", "inlet +3..12 degC a pull, 0.25 % of power a degC")
def heat_soak(post: Post, rng: Rng) -> Post:
    """No cool-down."""
    by = log_size(rng, 3.0, 12.0)
    return pull_by_pull(post, lambda pull, turn: warmer(pull, by * turn, 0.0025))


@fault("heat-costs-power", "4+ pulls, inlet +2..6 degC and power -0.4..1.5 % a pull", several=True)
def heat_costs(post: Post, rng: Rng) -> Post | None:
    """Heat that shows in the power."""
    if len(accepted(post.session.setups[0])) < 4:
        return None
    by, loss = log_size(rng, 2.0, 6.0), log_size(rng, 0.004, 0.015)
    return pull_by_pull(post, lambda pull, turn: warmer(pull, by * turn, loss / by))


@fault("engine-not-warm", "coolant 45..78 or oil 35..72 degC")
def not_warm(post: Post, rng: Rng) -> Post:
    """Begun cold."""
    name, at = ("coolant_c", rng.uniform(45, 78)) if rng.random() < 0.5 else ("oil_c", rng.uniform(35, 72))
    return bent(post, lambda pull: replace(pull, **{name: round(at)}), turns=(0,))


@fault("engine-hot", "coolant 108..125 degC")
def hot(post: Post, rng: Rng) -> Post:
    """Overheating."""
    at = rng.uniform(108.0, 125.0)
    return bent(post, lambda pull: replace(pull, coolant_c=round(at)))


@fault("drifts-upward", "calibration changed, 0.4..2 % up from pull to pull", several=True)
def drifts_upward(post: Post, rng: Rng) -> Post | None:
    """A calibration was written and learns."""
    fitted = [s.n for s in post.session.setups[1:] if any("calibration" in part.slug for part in s.parts)]
    up = log_size(rng, 0.004, 0.02)
    return pull_by_pull(post, lambda pull, turn: scaled(pull, up * turn), (fitted[0],)) if fitted else None


@fault("lambda-unlike-platform", "stock, top third 0.03..0.12 leaner or richer")
def lean_on_top(post: Post, rng: Rng) -> Post | None:
    """The fuel supply does not keep up, or the air meter is off."""
    by = either(rng) * log_size(rng, 0.03, 0.12)
    return leaned(post, by, 0.55) if is_stock(post) and petrol(post) else None


def leaned(post: Post, by: float, at: float) -> Post:
    """Leaner by so much above a place, with the power it costs."""

    def lean(pull: PostedPull) -> PostedPull:
        along = rise(share(post, pull), at + 0.1, 0.04)
        return scaled(added(pull, "lambda", by * along), -0.25 * abs(by) * along)

    return bent(post, lean)


@fault("lambda-unlike-stock", "modified, top third 0.03..0.12 leaner or richer")
def modified_lean(post: Post, rng: Rng) -> Post | None:
    """The same on a car with parts."""
    fitted = bool(post.session.setups[0].parts)
    by = either(rng) * log_size(rng, 0.03, 0.12)
    return leaned(post, by, 0.55) if fitted and petrol(post) else None


@fault("lambda-leans-out", "0.04..0.15 leaner towards the limiter")
def leans_out(post: Post, rng: Rng) -> Post | None:
    """The pump gives up at the top."""
    return leaned(post, log_size(rng, 0.04, 0.15), 0.75) if petrol(post) else None


@fault("lean-at-full-load", "boosted petrol at lambda 0.94..1.10")
def lean_boosted(post: Post, rng: Rng) -> Post | None:
    """Unsafe lean."""
    at = rng.uniform(0.94, 1.10)

    def lean(pull: PostedPull) -> PostedPull:
        now = float(np.median(pull.channels["lambda"]))
        return added(pull, "lambda", at - now)

    return bent(post, lean) if boosted_petrol(post) else None


@fault("rich", "lambda 0.62..0.76 over the pull")
def rich(post: Post, rng: Rng) -> Post | None:
    """Over-rich."""
    at = rng.uniform(0.62, 0.76)

    def enrich(pull: PostedPull) -> PostedPull:
        return added(pull, "lambda", at - float(np.median(pull.channels["lambda"])))

    return bent(post, enrich) if petrol(post) else None


@fault("lambda-dead", "constant (sd 0..0.003), or in free air")
def dead_probe(post: Post, rng: Rng) -> Post | None:
    """The probe is dead or out."""
    free, sd = rng.random() < 0.3, rng.uniform(0.0, 0.003)
    at = rng.uniform(4.0, 9.0) if free else float(rng.choice((1.0, 0.88, 0.85)))

    def kill(pull: PostedPull) -> PostedPull:
        return with_channels(pull, lambda_=at + sd * rng.standard_normal(pull.channels["rpm"].size))

    return bent(post, kill) if petrol(post) else None


@fault("lambda-not-before-catalyst", "behind the catalyst or at the tailpipe, lean by 0.01..0.05 low down")
def behind_catalyst(post: Post, rng: Rng) -> Post | None:
    """The probe sits where air gets in at low flow."""
    if not petrol(post):
        return None
    lean, place = rng.uniform(0.01, 0.05), str(rng.choice(PROBES[1:]))
    setups = tuple(replace(setup, lambda_probe=place) for setup in post.session.setups)
    told = post.with_session(replace(post.session, setups=setups))
    return bent(told, lambda pull: added(pull, "lambda", lean * np.clip(1.0 - share(post, pull), 0.0, 1.0)))


@fault("ethanol-unlike", "ethanol +10..80 points, spark +0.5..5 deg")
def other_fuel(post: Post, rng: Rng) -> Post | None:
    """Another blend in the tank, and a calibration that knows it."""
    if not petrol(post):
        return None
    more = log_size(rng, 0.10, 0.80)
    spark = 0.5 + 5.0 * more
    setups = tuple(replace(setup, ethanol=min(1.0, 0.05 + more)) for setup in post.session.setups)
    told = post.with_session(replace(post.session, setups=setups))
    return bent(told, lambda pull: scaled(added(pull, "spark", spark), 0.1 * more))


def knocked(post: Post, rng: Rng, wandering: bool, turns: tuple[int, ...] | None = None) -> Post | None:
    """Knock control takes 1.5 to 8 degrees over 400 to 2000 rpm, which costs 0.6 % of torque a degree."""
    if not petrol(post):
        return None
    size, width = log_size(rng, 1.5, 8.0), rng.uniform(0.03, 0.15)
    places = rng.uniform(0.55, 0.95, 6) if wandering else np.full(6, rng.uniform(0.55, 0.95))

    def knock(pull: PostedPull, turn: int) -> PostedPull:
        if turns is not None and turn not in turns:
            return pull
        along = size * np.clip(1.6 * bump(share(post, pull), places[turn], 1.4 * width), 0.0, 1.0)
        told = with_channels(pull, knock_retard=pull.channels["knock_retard"] + along)
        return scaled(added(told, "spark", -along), -0.006 * along)

    return pull_by_pull(post, knock)


@fault("spark-low-same-place", "the same in every pull")
def knock_everywhere(post: Post, rng: Rng) -> Post | None:
    """In every pull at the same speed."""
    return knocked(post, rng, wandering=False)


@fault("spark-low-wanders", "the same, elsewhere in every pull")
def knock_wandering(post: Post, rng: Rng) -> Post | None:
    """At another speed in every pull."""
    return knocked(post, rng, wandering=True)


@fault("spark-low", "1.5..8 deg over 400..2000 rpm, 0.6 % a deg, in one pull")
def knock_in_one(post: Post, rng: Rng) -> Post | None:
    """In one pull of several."""
    return knocked(post, rng, wandering=False, turns=(int(rng.integers(3)),))


@fault("torque-held-flat", "3..15 % below its top, throttle closing")
def torque_limited(post: Post, rng: Rng) -> Post | None:
    """Torque held at a ceiling over 1000 rpm and more, the throttle closing to do so."""
    below = rng.uniform(0.03, 0.15)

    def limit(pull: PostedPull) -> PostedPull:
        torque = pull.channels["torque"]
        cap = (1.0 - below) * np.quantile(torque, 0.97)
        over = np.clip(np.log(np.maximum(torque, 1.0) / cap), 0.0, None)
        closed = pull.channels["throttle"] * np.exp(-2.5 * over)
        return with_channels(scaled(pull, -over), throttle=closed)

    return bent(post, limit)


@fault("throttle-not-full", "60..96 % from mid-pull on")
def throttle_closes(post: Post, rng: Rng) -> Post:
    """The throttle stands at 60..96 % from somewhere on."""
    left, at = rng.uniform(0.60, 0.96), rng.uniform(0.4, 0.8)

    def close(pull: PostedPull) -> PostedPull:
        along = 1.0 - (1.0 - left) * rise(share(post, pull), at, 0.02)
        return with_channels(scaled(pull, 0.3 * np.log(along)), throttle=pull.channels["throttle"] * along)

    return bent(post, close)


@fault("map-gauge", "boosted, the barometer taken off")
def gauge_pressure(post: Post, rng: Rng) -> Post | None:
    """Boost as the gauge shows it, never under 6 kPa: what lies lower is refused."""
    if not post.platform.engine.spool_rpm:
        return None

    def gauge(pull: PostedPull) -> PostedPull:
        return with_channels(pull, map=np.maximum(pull.channels["map"] - (pull.pressure_kpa or 100.0), 6.0))

    return bent(post, gauge)


@fault("map-above-barometer", "natural engine, 2..60 kPa over the barometer")
def boosted_after_all(post: Post, rng: Rng) -> Post | None:
    """Another car stood there, or the channel is in another unit."""
    if post.platform.engine.kind != "natural":
        return None
    above = log_size(rng, 2.0, 60.0)

    def boost(pull: PostedPull) -> PostedPull:
        kpa = pull.channels["map"]
        return with_channels(pull, map=kpa - np.quantile(kpa, 0.9) + (pull.pressure_kpa or 100.0) + above)

    return bent(post, boost)


@fault("cut", "power -20..80 % within 50 rpm, near the top")
def fuel_cut(post: Post, rng: Rng) -> Post:
    """Power falls by 20..80 % within 50 rpm near the top, saw-toothed."""
    depth, at = rng.uniform(0.2, 0.8), rng.uniform(0.85, 1.0)

    def cut(pull: PostedPull) -> PostedPull:
        past = share(post, pull) > at
        teeth = np.where(np.arange(past.size) % 7 < 5, 1.0, 0.3)
        return scaled(pull, np.where(past, np.log1p(-depth) * teeth, 0.0))

    return bent(post, cut)


@fault("boost-low", "4..30 kPa, 0.45 % of torque a kPa")
def boost_leak(post: Post, rng: Rng) -> Post | None:
    """A leak or a lazy wastegate: 4 to 30 kPa less from mid-band on, 0.45 % of torque a kPa."""
    if not post.platform.engine.spool_rpm:
        return None
    low = log_size(rng, 4.0, 30.0)

    def leak(pull: PostedPull) -> PostedPull:
        along = low * spooled(post.platform.engine, pull.channels["rpm"])
        return scaled(added(pull, "map", -along), -0.0045 * along)

    return bent(post, leak) if is_stock(post) else None


def boost_falls(post: Post, rng: Rng) -> Post | None:
    """Boost falls 8 to 40 kPa more than usual towards the limiter."""
    if not post.platform.engine.spool_rpm:
        return None
    low = log_size(rng, 8.0, 40.0)

    def fall(pull: PostedPull) -> PostedPull:
        along = low * np.clip((share(post, pull) - 0.7) / 0.4, 0.0, 1.0)
        return scaled(added(pull, "map", -along), -0.0045 * along)

    return bent(post, fall) if is_stock(post) else None


@fault("not-stock-map", "5..35 kPa more, 0.5 % of torque a kPa")
def hidden_calibration(post: Post, rng: Rng) -> Post | None:
    """A "stock" car with 5 to 35 kPa more boost, 0.5 % of torque a kPa."""
    if not post.platform.engine.spool_rpm:
        return None
    more = log_size(rng, 5.0, 35.0)

    def tune(pull: PostedPull) -> PostedPull:
        along = more * spooled(post.platform.engine, pull.channels["rpm"])
        return scaled(added(pull, "map", along), 0.005 * along)

    return bent(post, tune) if is_stock(post) else None


@fault("intake-restriction", "1.5..10 kPa at the top, natural engine")
def dirty_filter(post: Post, rng: Rng) -> Post | None:
    """Natural engine: 1.5 to 10 kPa lost before the throttle at the top, growing with speed squared."""
    if post.platform.engine.kind != "natural":
        return None
    lost = log_size(rng, 1.5, 10.0)

    def choke(pull: PostedPull) -> PostedPull:
        along = lost * share(post, pull) ** 2
        return scaled(added(pull, "map", -along), -0.010 * along)

    return bent(post, choke) if is_stock(post) else None


@fault("falls-with-rpm", "torque -3..20 % from middle to top")
def blocked_exhaust(post: Post, rng: Rng) -> Post | None:
    """Torque falls 3 to 20 % from mid-band to the top, the manifold pressure as usual."""
    lost = log_size(rng, 0.03, 0.20)

    def block(pull: PostedPull) -> PostedPull:
        return scaled(pull, -lost * np.clip((share(post, pull) - 0.55) / 0.5, 0.0, 1.2))

    return bent(post, block) if is_stock(post) else None


@fault("shape-unlike-stock", "the same, no manifold pressure posted")
def shape_falls(post: Post, rng: Rng) -> Post | None:
    """The same where nothing says why."""
    falling = blocked_exhaust(post, rng)
    return None if falling is None else bent(falling, lambda pull: without(pull, "map"))


@fault("gains-with-rpm", "torque +3..15 % on top or low down")
def hidden_part(post: Post, rng: Rng) -> Post | None:
    """As usual low down, 3 to 15 % more on top, or the other way round (cam timing)."""
    more, turned = log_size(rng, 0.03, 0.15), rng.random() < 0.5

    def tilt(pull: PostedPull) -> PostedPull:
        along = np.clip((share(post, pull) - 0.5) / 0.5, 0.0, 1.1)
        return scaled(pull, more * (1.0 - along if turned else along))

    return bent(post, tilt) if is_stock(post) else None


@fault("map-at-limit", "clipped at 255 kPa, 0..40 kPa below the truth")
def map_at_its_limit(post: Post, rng: Rng) -> Post | None:
    """Boost above what one byte can say: stuck at 255 kPa over 300 rpm and more."""
    if not post.platform.engine.spool_rpm:
        return None
    above = rng.uniform(0.0, 40.0)

    def clip(pull: PostedPull) -> PostedPull:
        kpa = pull.channels["map"] + 255.0 + above - pull.channels["map"].max() * 0.98
        return with_channels(pull, map=np.minimum(np.round(kpa), 255.0))

    return bent(post, clip)
