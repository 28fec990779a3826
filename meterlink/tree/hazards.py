"""What breaks the model and is to be said rather than fitted over."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Hookup
from meterlink.levels.flags import Flag
from meterlink.testlog.rows import TestRow
from meterlink.tree.observations import Tests

LIES = 0.5
AT_LEAST_MV = 60.0  # a neutral-ground drop this large cannot hide in pickup of 5 to 15 mV


@dataclass(frozen=True, slots=True)
class Hazards:
    """Receptacles with a suspected fault of their ground, and sentences for the person.

    Attributes:
        no_ground: The meter floated between neutral and ground there.
        ground_to_neutral: Neutral-ground stayed near zero there although load current must pass.
        notes: What to say, one sentence or two each.
    """

    no_ground: frozenset[str]
    ground_to_neutral: frozenset[str]
    notes: tuple[str, ...]


def hazards_of(
    circuit: Circuit,
    rows: Sequence[TestRow],
    tests: Tests,
    lies: np.ndarray,
    expected_mv: np.ndarray,
) -> Hazards:
    """Look for grounds that are missing or bonded, and for other appliances.

    Args:
        circuit: Names.
        rows: The log.
        tests: The rows that say something, as numbers.
        lies: Probability of each test to lie, shape ``(m,)``.
        expected_mv: What each test should have shown, shape ``(m,)``.
    """
    names = circuit.receptacles
    floating = {
        row.setup.lead_a
        for row in rows
        if row.setup.hookup is Hookup.NEUTRAL_GROUND and Flag.FLOATING in row.flags
    }
    quiet: dict[str, list[int]] = {}
    loud: set[str] = set()
    for item, lie, mv in zip(tests.items, lies, expected_mv, strict=True):
        if item.hookup is not Hookup.NEUTRAL_GROUND or mv < AT_LEAST_MV:
            continue
        name = names[item.leads[0]]
        if lie >= LIES and item.drop_mv is not None and abs(item.drop_mv) < 3 * item.u_mv:
            quiet.setdefault(name, []).append(item.test)
        elif lie < LIES:
            loud.add(name)
    bonded = {name for name, which in quiet.items() if name not in loud and len(which) >= 2}
    notes = [
        f"Neutral-ground at {name} stayed near zero in tests {_listed(quiet[name])} although load "
        "current must pass. Its ground may be bonded to the neutral there, which is a hazard, or "
        "the lead made no contact. Have it looked at by whoever is licensed for it."
        for name in names
        if name in bonded
    ]
    notes += [
        f"The meter floated between neutral and ground at {name}: the ground contact may be "
        "missing, or a lead hung in the air. Have it looked at by whoever is licensed for it."
        for name in names
        if name in floating
    ]
    others = [row.test for row in rows if Flag.OTHER_APPLIANCE in row.flags]
    if others:
        notes.append(
            f"Something else switched during {_tests(others)}. Switch other appliances off, or see "
            "whether another circuit shares this neutral, and repeat."
        )
    return Hazards(frozenset(floating), frozenset(bonded), tuple(notes))


def _tests(numbers: Sequence[int]) -> str:
    """'test 3' or 'tests 3 and 5'."""
    return f"test {numbers[0]}" if len(numbers) == 1 else f"tests {_listed(numbers)}"


def _listed(numbers: Sequence[int]) -> str:
    """'3', '3 and 5', '3, 5 and 9'."""
    words = [str(number) for number in numbers]
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1]
