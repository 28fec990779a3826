import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.show.traces import Envelope

VALUES = st.lists(st.floats(-1e6, 1e6), max_size=300)


def filled(values: list[float], bins: int = 8) -> Envelope:
    envelope = Envelope(bins)
    for number, value in enumerate(values):
        envelope.add(float(number), value)
    return envelope


def test_a_short_series_is_kept_as_it_is() -> None:
    assert filled([3.0, 1.0, 2.0]).points() == [(0.0, 3.0), (1.0, 1.0), (2.0, 2.0)]


def test_nothing_gives_nothing() -> None:
    assert Envelope().points() == []


@given(VALUES)
@settings(max_examples=100)
def test_extremes_survive_in_bounded_memory_and_time_order(values: list[float]) -> None:
    points = filled(values).points()
    assert len(points) <= 16
    assert [t for t, _ in points] == sorted(t for t, _ in points)
    shown = [value for _, value in points]
    assert all(values[int(t)] == value for t, value in points)
    if values:
        assert (min(shown), max(shown)) == (min(values), max(values))


def test_a_single_spike_in_a_long_series_is_drawn() -> None:
    values = [0.0] * 10_000
    values[4321] = 5.0
    assert (4321.0, 5.0) in filled(values).points()


@pytest.mark.parametrize("bins", [0, 1, 7])
def test_an_odd_number_of_bins_is_refused(bins: int) -> None:
    with pytest.raises(ValueError, match="even"):
        Envelope(bins)
