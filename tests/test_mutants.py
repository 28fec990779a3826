"""No reader answers damaged input with anything but what is documented."""

import random
from pathlib import Path

import pytest
from mutants import DOCUMENTED, READERS, try_one


@pytest.mark.parametrize("name", READERS)
def test_sound_input_is_read(name: str, tmp_path: Path) -> None:
    read, sound, _ = READERS[name]
    for data in sound:
        read(data, tmp_path)


@pytest.mark.parametrize("name", READERS)
def test_mutants_end_in_a_value_or_a_documented_error(name: str, tmp_path: Path) -> None:
    chance = random.Random(11)
    for _ in range(max(3, READERS[name][2] // 2)):
        data, error = try_one(name, chance, tmp_path)
        assert error is None, (data, error)


def test_what_is_documented_is_for_people() -> None:
    assert all(issubclass(kind, Exception) and kind.__doc__ for kind in DOCUMENTED)
