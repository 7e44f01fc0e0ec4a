"""The channel codec: what goes in comes out, or nothing goes in."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from service.domain.codec import EncodedTrace, decode_channels, encode_and_keep

Floats = NDArray[np.float64]
STEPS = {"rpm": 1.0, "torque": 0.1, "lambda": 0.001}


def packed(channels: dict[str, Floats], steps: dict[str, float | None]) -> EncodedTrace:
    """The channels as they are stored."""
    return encode_and_keep(channels, steps)[0]


def pull(samples: int = 270, seed: int = 0) -> dict[str, Floats]:
    """An ordinary pull on its declared steps, as JSON would bring it: the nearest double to each decimal."""
    random = np.random.default_rng(seed)
    rpm = np.linspace(2000.0, 7000.0, samples)
    torque = 200.0 - 6e-6 * (rpm - 4200.0) ** 2 + random.normal(0.0, 0.8, samples)
    return {
        "rpm": np.round(rpm + random.normal(0.0, 2.0, samples)),
        "torque": np.round(torque, 1),
        "lambda": np.round(0.88 + random.normal(0.0, 0.006, samples), 3),
    }


def test_a_pull_on_its_steps_returns_whole_multiples_of_them() -> None:
    channels = pull()
    trace = packed(channels, STEPS)
    assert (trace.enc, trace.names, trace.steps, trace.samples) == (
        1,
        ("rpm", "torque", "lambda"),
        (1.0, 0.1, 0.001),
        270,
    )
    for name, values in decode_channels(trace).items():
        np.testing.assert_array_equal(values, np.rint(channels[name] / STEPS[name]) * STEPS[name])
        np.testing.assert_allclose(values, channels[name], rtol=1e-15)


def test_steps_take_under_half_of_what_floats_take() -> None:
    by_steps, by_floats = packed(pull(), STEPS), packed(pull(), {})
    assert (by_steps.enc, by_floats.enc) == (1, 2)
    assert len(by_steps.raw) < len(by_floats.raw) / 2
    assert len(by_steps.raw) < 270 * 3 * 2  # and less than the bare int16


@pytest.mark.parametrize(
    ("name", "why"),
    [("torque", "off its step"), ("lambda", "no step declared"), ("rpm", "jumps further than int16")],
)
def test_one_channel_that_does_not_fit_sends_all_to_floats(name: str, why: str) -> None:
    channels, steps = pull(), dict(STEPS)
    if why == "off its step":
        channels[name] = channels[name] + 0.01
    elif why == "no step declared":
        del steps[name]
    else:
        steps[name] = 0.0001
        channels[name] = np.where(np.arange(270) % 2, 2000.0, 7000.0)
    trace = packed(channels, steps)
    assert trace.enc == 2
    for each, values in decode_channels(trace).items():
        np.testing.assert_array_equal(values, channels[each].astype(np.float32))


def test_a_figure_converted_from_another_unit_still_stands_on_its_converted_step() -> None:
    pound_foot = 1.3558179483314004
    shown = np.round(np.linspace(120.0, 260.0, 200), 1)
    trace = packed({"torque": shown * pound_foot}, {"torque": 0.1 * pound_foot})
    assert trace.enc == 1
    np.testing.assert_allclose(decode_channels(trace)["torque"] / pound_foot, shown, rtol=1e-14)


def test_a_figure_that_came_through_float32_still_stands_on_its_step() -> None:
    trace = packed({"torque": np.float32(pull()["torque"])}, {"torque": 0.1})
    assert trace.enc == 1
    np.testing.assert_allclose(decode_channels(trace)["torque"], pull()["torque"], rtol=1e-15)


def test_unknown_samples_are_kept_as_unknown() -> None:
    values = np.array([1.0, np.nan, 3.0])
    np.testing.assert_array_equal(decode_channels(packed({"map": values}, {"map": 1.0}))["map"], values)


@given(
    counts=st.lists(st.integers(-(10**6), 10**6), min_size=1, max_size=80),
    step=st.sampled_from([1.0, 0.1, 0.05, 0.001, 0.3937, 1.3558179483314004]),
)
def test_whole_steps_come_back_exactly_whichever_encoding(counts: list[int], step: float) -> None:
    values = np.array(counts, dtype=np.float64) * step
    trace = packed({"a": values}, {"a": step})
    fits = bool((np.abs(np.diff(counts)) <= 32_767).all())
    assert trace.enc == (1 if fits else 2)
    expected = values if fits else values.astype(np.float32)
    np.testing.assert_array_equal(decode_channels(trace)["a"], expected)


@given(
    values=st.lists(st.floats(width=32, allow_infinity=False), max_size=60),
    step=st.one_of(st.none(), st.floats(1e-3, 10.0)),
)
def test_nothing_is_ever_rounded_beyond_float32(values: list[float], step: float | None) -> None:
    given_values = np.array(values, dtype=np.float64)
    back = decode_channels(packed({"a": given_values}, {"a": step}))["a"]
    np.testing.assert_allclose(back, given_values, rtol=2.0**-24, atol=0.0, equal_nan=True)


def test_eight_threads_at_once_never_mix_their_pulls() -> None:
    def there_and_back(seed: int) -> bool:
        channels = pull(seed=seed)
        back = decode_channels(packed(channels, STEPS if seed % 2 else {}))
        return all(np.allclose(back[name], channels[name], rtol=1e-7) for name in channels)

    with ThreadPoolExecutor(8) as threads:
        assert all(threads.map(there_and_back, range(400)))


def test_a_damaged_record_is_refused_not_guessed() -> None:
    trace = packed(pull(), STEPS)
    for broken in (
        EncodedTrace(trace.enc, trace.names, trace.steps, trace.samples + 1, trace.raw),
        EncodedTrace(trace.enc, trace.names, trace.steps, trace.samples, trace.raw[:-9]),
        EncodedTrace(trace.enc, trace.names, trace.steps, trace.samples, b"not zstandard"),
    ):
        with pytest.raises(ValueError, match="damaged"):
            decode_channels(broken)
    with pytest.raises(ValueError, match="newer release"):
        decode_channels(EncodedTrace(3, trace.names, trace.steps, trace.samples, trace.raw))


@pytest.mark.parametrize("value", [np.inf, -np.inf, 1e39])
def test_a_value_float32_cannot_hold_is_refused(value: float) -> None:
    with pytest.raises(ValueError, match="infinite or too large"):
        packed({"torque": np.array([1.0, value])}, {})


def test_channels_of_unequal_length_are_refused() -> None:
    with pytest.raises(ValueError, match="equal length"):
        packed({"rpm": np.zeros(3), "torque": np.zeros(4)}, {})
    with pytest.raises(ValueError, match="equal length"):
        packed({}, {})


@pytest.mark.parametrize("step", [None, 0.1], ids=["float32", "whole steps"])
def test_as_kept_is_what_is_decoded_to_the_last_digit(step: float | None) -> None:
    torque = np.round(np.random.default_rng(2).uniform(100, 300, 200), 1)
    channels = {"rpm": np.arange(2000.0, 2200.0), "torque": torque + (0.0 if step else 0.0123)}
    steps = {"rpm": step and 1.0, "torque": step}
    decoded = decode_channels(packed(channels, steps))
    for name, values in encode_and_keep(channels, steps)[1].items():
        assert np.array_equal(values, decoded[name])
