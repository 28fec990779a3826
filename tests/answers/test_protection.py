from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.answers.protection import fewest_devices, protect
from meterlink.tree.trees import bits_of

from .circuits import CHAIN, FORK, every_wiring, ring_of, wirings_of


def fewest_by_trying(clades: list[int], wanted: int) -> int:
    """The oracle: every set of receptacles, smallest first."""
    for size in range(len(clades) + 1):
        for devices in combinations(range(len(clades)), size):
            reached = 0
            for device in devices:
                reached |= clades[device]
            if reached & wanted == wanted:
                return size
    raise AssertionError("every receptacle protects itself")


@pytest.mark.parametrize("n", [2, 3, 4])
def test_the_fewest_devices_are_as_few_as_trying_every_set_finds_on_every_wiring(n: int) -> None:
    wirings = every_wiring(n, np.random.default_rng(n))
    for wanted in range(1, 1 << n):
        found = fewest_devices(wirings.clades, wirings.probability, wanted)
        for row, devices in zip(wirings.clades.tolist(), found.tolist(), strict=True):
            reached = 0
            for device in bits_of(devices):
                reached |= row[device]
            assert reached & wanted == wanted
            assert devices.bit_count() == fewest_by_trying(row, wanted)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6), n=st.integers(2, 5), data=st.data())
def test_the_chance_that_all_are_covered_is_the_sum_over_wirings(
    seed: int, n: int, data: st.DataObject
) -> None:
    wirings = every_wiring(n, np.random.default_rng(seed))
    cover = data.draw(st.lists(st.sampled_from(wirings.names), unique=True))
    at = data.draw(st.lists(st.sampled_from(wirings.names), unique=True))
    found = protect(wirings, cover, at)
    wanted, devices = set(cover or wirings.names), set(found.devices)
    total = 0.0
    for row, p in zip(wirings.clades.tolist(), wirings.probability.tolist(), strict=True):
        beyond = {
            other for device in devices for other in wirings.named(row[wirings.names.index(device)])
        }
        total += p * (wanted <= beyond)
    assert found.covered == pytest.approx(total)
    assert {item.name for item in (*found.each, *found.not_covered)} == wanted
    assert all(item.probability <= item.protected + 1e-9 for item in found.each)
    if found.settled and not at:
        assert found.covered >= 0.95


def test_the_first_of_a_chain_protects_all_of_it() -> None:
    found = protect(wirings_of([CHAIN]))
    assert found.devices == ("Door",)
    assert found.covered == pytest.approx(1)
    assert found.settled
    assert [item.by for item in found.each] == ["Door"] * 4
    assert found.not_covered == ()


def test_a_circuit_that_forks_at_the_panel_needs_two() -> None:
    found = protect(wirings_of([FORK]))
    assert found.devices == ("Door", "Bed")
    assert [(item.name, item.by) for item in found.each] == [
        ("Door", "Door"),
        ("Desk", "Door"),
        ("Bed", "Bed"),
        ("Hall", "Bed"),
    ]


def test_to_cover_some_the_place_is_one_that_will_do_on_most_wirings() -> None:
    swapped = {"Door": "panel", "Bed": "Door", "Desk": "Bed", "Hall": "Bed"}
    found = protect(wirings_of([CHAIN, swapped], [0.55, 0.45]), ["Desk", "Hall"])
    assert found.devices == ("Door",)
    assert found.covered == pytest.approx(1)
    assert found.settled
    assert not protect(wirings_of([CHAIN, swapped], [0.55, 0.45]), at=["Desk"]).settled


def test_where_several_places_will_do_nothing_more_than_needed_hangs_on_the_device() -> None:
    assert protect(wirings_of([CHAIN]), ["Bed", "Hall"]).devices == ("Bed",)


def test_a_smaller_set_that_may_do_keeps_the_answer_unsettled() -> None:
    found = protect(wirings_of([FORK, CHAIN], [0.6, 0.4]))
    assert found.devices == ("Door", "Bed")
    assert found.covered == pytest.approx(1)
    assert not found.settled


def test_devices_that_a_person_names_and_what_they_leave_out() -> None:
    found = protect(wirings_of([CHAIN]), at=["Bed", "Hall"])
    assert not found.chosen
    assert [item.name for item in found.each] == ["Bed", "Hall"]
    assert [item.name for item in found.not_covered] == ["Door", "Desk"]
    assert found.covered == 0
    assert found.redundant == (("Bed", "Hall"),)


def test_what_was_never_tested_is_said_and_nothing_is_settled() -> None:
    wirings = wirings_of([CHAIN | {"Hall": "panel"}, CHAIN], untested=frozenset({"Hall"}))
    found = protect(wirings)
    assert found.devices == ("Door",)
    assert found.untested == ("Hall",)
    assert found.covered == pytest.approx(0.5)
    assert not found.settled


def test_what_is_on_another_circuit_is_not_among_what_is_to_be_covered() -> None:
    wirings = wirings_of([CHAIN, CHAIN], [0.97, 0.03])
    elsewhere = wirings.clades.copy()
    elsewhere[0, 3] = 0
    elsewhere[0, :3] &= 0b111
    wirings = replace(wirings, clades=elsewhere)
    found = protect(wirings)
    assert found.wanted == ("Door", "Desk", "Bed")
    assert found.covered == pytest.approx(1)
    assert found.away == ("Hall",)
    found = protect(wirings, ["Hall"])
    assert found.away == ("Hall",)
    assert [item.name for item in found.not_covered] == ["Hall"]
    assert found.covered == pytest.approx(0.03)


def test_on_a_ring_only_the_panel_protects_all() -> None:
    found = protect(ring_of("Door", "Desk", "Bed", share=0.97))
    assert found.devices == ("panel",)
    assert {item.by for item in found.each} == {"panel"}
    assert found.on_ring == ("Door", "Desk", "Bed")
    assert found.settled
    assert not protect(ring_of("Door", "Desk", "Bed", share=0.9)).settled


def test_a_device_on_a_ring_protects_nothing_of_the_ring_but_itself() -> None:
    found = protect(ring_of("Door", "Desk", "Bed", spurs={"Hall": "Door"}), at=["Door"])
    assert [item.name for item in found.each] == ["Door", "Hall"]
    assert [item.name for item in found.not_covered] == ["Desk", "Bed"]


def test_a_second_path_that_is_not_ruled_out_lowers_what_is_claimed() -> None:
    found = protect(replace(ring_of("Door", "Desk", share=0.3), ring=None, best=1))
    assert found.devices == ("Door",)
    assert found.covered == pytest.approx(0.7)
    assert not found.settled


def test_where_no_wiring_explains_the_log_nothing_is_settled() -> None:
    found = protect(wirings_of([CHAIN], explained=False))
    assert found.devices == ("Door",)
    assert not found.settled
    assert not found.explained
