"""Answers on published networks, and the texts beside them against the articles that they name."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from meterlink.answers.protection import protect
from meterlink.answers.wirings import Known, dead_probabilities, known_of
from meterlink.circuit.circuit import Circuit
from meterlink.show.answers_text import BEFORE_WORK
from meterlink.show.report_content import CAUTIONS
from meterlink.show.sentences import ungrounded
from meterlink.testlog.findings import Cut

from ..tree.networks import circuit_of, common_path, edges_of, rows_of_matrix

REFERENCE = Path(__file__).parents[2] / "fixtures" / "reference"
LIVED_IN = json.loads((REFERENCE / "lived_in.json").read_text("utf-8"))
NETWORKS = {
    example["id"]: example
    for example in json.loads((REFERENCE / "distributor_networks.json").read_text("utf-8"))[
        "examples"
    ]
}


def known_of_network(name: str) -> tuple[list[tuple[str, str, float]], list[str], Known]:
    """A published distributor (Mehta and Mehta, chapter 13), tested at every pair of points."""
    example = NETWORKS[name]
    sources, edges = list(example["sources_V"]), edges_of(example)
    names, g = common_path(edges, sources)
    scale = 40 / np.mean([ohm for *_, ohm in edges])  # to runs that a dwelling has
    return edges, names, known_of(circuit_of(names), rows_of_matrix(names, g * scale))


@pytest.mark.parametrize("name", ["13.1", "13.3", "13.4"])
def test_on_a_published_chain_the_first_point_protects_all_and_kills_all(name: str) -> None:
    edges, names, known = known_of_network(name)
    [source] = NETWORKS[name]["sources_V"]
    [first] = [b for a, b, _ in edges if a == source]
    found = protect(known.wirings)
    assert found.devices == (first,)
    assert found.settled
    assert found.covered > 0.95
    dead, _ = dead_probabilities(known.wirings, Cut.TRIPPED, first)
    assert dead.min() > 0.95
    assert len(found.each) == len(names)


@pytest.mark.parametrize("name", ["13.10", "13.11"])
def test_a_published_ring_is_not_protected_by_any_of_its_points(name: str) -> None:
    _, names, known = known_of_network(name)
    found = protect(known.wirings)
    assert found.devices == ("panel",)
    dead, _ = dead_probabilities(known.wirings, Cut.DISCONNECTED, names[0])
    assert dead[1:].max() < 0.5


def test_what_the_code_allows_without_a_ground_is_said_with_its_articles_and_markings() -> None:
    text = " ".join(ungrounded(Circuit("Old", ("A",), grounded=False)))
    assert ungrounded(Circuit("New", ("A",))) == ()
    assert ungrounded(Circuit("Mixed", ("A", "B"), no_ground=("B",)))
    for entry in LIVED_IN["no_ground_receptacles"]:
        article = entry["id"].removeprefix("NEC ")
        assert article in text or f"({article[-2]})" in text, entry["id"]
    for marking in ("No Equipment Ground", "GFCI Protected"):
        assert any(marking in entry["fact"] for entry in LIVED_IN["no_ground_receptacles"])
        assert f"“{marking}”" in text


def test_articles_named_beside_the_answers_are_those_of_the_table() -> None:
    with (REFERENCE / "safety_practice.csv").open(encoding="utf-8", newline="") as stream:
        lines = [line for line in stream if not line.startswith("#")]
    rows = {row["topic"]: row["standard_and_article"] for row in csv.DictReader(lines)}
    assert "NEC 210.8, 406.4(D)" in BEFORE_WORK
    assert "NEC 210.8, 406.4(D)" in rows["GFCI downstream protection"]
    cautions = " ".join(CAUTIONS)
    for article in ("300.13(B)", "110.14(B)"):
        assert article in rows["receptacle as splice"]
        assert article in cautions
