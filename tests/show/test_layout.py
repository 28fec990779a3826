"""The map as rows of words."""

from dataclasses import replace

from meterlink.circuit.circuit import Circuit
from meterlink.show.layout import map_rows
from meterlink.show.map_svg import description
from meterlink.show.sentences import first_sentence
from meterlink.tree.resolve import resolve

THREE = resolve(Circuit("three", ("Attic", "Bath", "Cellar")), [])


def test_what_is_untested_is_said_to_hang_on_nothing() -> None:
    rows = map_rows(THREE)[1:]
    assert {row.name for row in rows} == {"Attic", "Bath", "Cellar"}
    assert all((row.kind, row.fed_from, row.sure) == ("untested", "", "untested") for row in rows)
    assert "Attic is untested" in description(THREE)
    assert "is fed from" not in description(THREE)


def test_without_a_test_nobody_is_the_best_guess() -> None:
    assert first_sentence(THREE).endswith("unknown; nothing was tested yet")


def test_a_first_receptacle_that_is_known_without_a_test_is_named() -> None:
    """Findings with the power off can tell it."""
    known = replace(THREE, first=replace(THREE.first, receptacle="Bath", probability=0.97))
    assert first_sentence(known).startswith("First after the panel: Bath (likely, 97")
