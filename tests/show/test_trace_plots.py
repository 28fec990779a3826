import re
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from xml.etree.ElementTree import fromstring

import pytest

from drivers.capture import CaptureReader, replay
from drivers.readings import Function, Mark, Reading
from meterlink.circuit.circuit import Circuit
from meterlink.circuit.job import circuit_from_header
from meterlink.circuit.setup import Hookup, Setup, Verdict
from meterlink.levels.detector import Measurement
from meterlink.levels.visit_split import completed_tests
from meterlink.show.traces import DrawnTest, draw_trace, level_text, traced_tests
from meterlink.testlog.columns import Source, TestRow

SVG = "{http://www.w3.org/2000/svg}"

ROW = TestRow(
    test=7,
    time=datetime(2026, 3, 23, 9, 14, 5, tzinfo=UTC),
    setup=Setup(Hookup.NEUTRAL_GROUND, "Desk", None, "Bed"),
    amps=10.0,
    idle_mv=5.0,
    idle_sd_mv=0.3,
    on_mv=105.0,
    on_sd_mv=0.4,
    after_mv=5.2,
    delta_mv=100.0,
    drop_mv=104.0,
    drop_u_mv=2.0,
    limit_mv=8.0,
    verdict=Verdict.IN_PATH,
    n_idle=20,
    n_on=20,
    source=Source.REPLAY,
    capture="visit.jsonl",
)
SEEN = Measurement(
    5.0, 0.3, 105.0, 0.4, 5.2, 100.0, 104.0, 2.0, 8.0, Verdict.IN_PATH, 20, 20, (), 110.0, 120.0
)


def trace() -> DrawnTest:
    made = DrawnTest(started_s=100.0, ended_s=30.0, load_on_s=[9.0], load_off_s=[19.0])
    for t_s in range(30):
        made.readings.add(float(t_s), 105.0 if 10 <= t_s < 20 else 5.0)
    return made


def points_of(picture: str) -> list[tuple[float, float]]:
    line = fromstring(picture).find(f"{SVG}polyline")
    assert line is not None
    pairs = (pair.split(",") for pair in (line.get("points") or "").split())
    return [(float(x), float(y)) for x, y in pairs]


def test_a_plot_shows_the_readings_the_levels_and_the_marks() -> None:
    picture = draw_trace(ROW, SEEN, trace(), identity="test-7")
    points = points_of(picture)
    assert len(points) == 30
    assert points[0][1] > points[15][1]  # the picture's y runs down
    words = ["".join(text.itertext()) for text in fromstring(picture).iter(f"{SVG}text")]
    assert {
        "marked on",
        "marked off",
        "drop",
        "idle 5.00 mV",
        "on 105.0 mV",
        "after 5.20 mV",
    } <= set(words)


def test_a_jump_that_was_missed_is_seen_and_not_clipped() -> None:
    row = replace(ROW, on_mv=5.1, after_mv=None, verdict=Verdict.NOT_IN_PATH, drop_mv=0.1)
    heights = sorted({y for _, y in points_of(draw_trace(row, SEEN, trace(), identity="t"))})
    assert len(heights) == 2
    assert heights[1] - heights[0] > 60
    assert heights[0] > 20  # below the upper edge


def test_a_sag_is_drawn_downwards_and_in_volts() -> None:
    row = replace(
        ROW,
        setup=Setup(Hookup.LINE_DROP, "Desk", None, "Desk"),
        idle_mv=120_000.0,
        on_mv=114_000.0,
        after_mv=120_100.0,
        delta_mv=-6_000.0,
        drop_mv=6_050.0,
    )
    picture = draw_trace(row, SEEN, trace(), identity="test-7")
    assert "114.00 V" in picture
    assert "120.00 V" in picture


def bar_of(picture: str) -> tuple[float, float]:
    """Where the bar of the drop begins, at the idle level, and where it ends."""
    (bar,) = (p for p in fromstring(picture).iter(f"{SVG}path") if p.get("stroke-width") == "3")
    begins, ends = re.fullmatch(r"M316 ([\d.]+)V([\d.]+)", bar.get("d") or "").groups()  # type: ignore[union-attr]
    return float(begins), float(ends)


@pytest.mark.parametrize(("delta_mv", "is_down"), [(100.0, False), (-100.0, True)])
def test_the_bar_of_a_drop_goes_where_the_level_went(delta_mv: float, is_down: bool) -> None:
    on = {"idle_mv": 0.0, "on_mv": delta_mv, "after_mv": 0.0}  # of a direct current, signed
    row = replace(ROW, **on, delta_mv=delta_mv, drop_mv=100.0)
    made = DrawnTest(started_s=100.0, ended_s=30.0)
    for t_s in range(30):
        made.readings.add(float(t_s), delta_mv if 10 <= t_s < 20 else 0.0)
    begins, ends = bar_of(draw_trace(row, SEEN, made, identity="t"))
    assert (ends > begins) == is_down  # the picture's y runs down


def test_a_path_is_drawn_in_ohms_and_not_as_readings_without_a_value() -> None:
    circuit = Circuit("Dead", ("Door", "Desk"))
    events = [
        Mark(0.0, "test", hookup="path-resistance", lead_a="Door", lead_b="Desk", side="neutral"),
        *(Reading(0.5 * k, None, Function.OHM, ohms=0.143) for k in range(1, 20)),
        Mark(10.0, "end"),
    ]
    ((test, made),) = traced_tests(events, circuit)
    assert not made.beyond_range_s
    nothing = dict.fromkeys(("idle_mv", "idle_sd_mv", "on_mv", "after_mv", "delta_mv", "drop_mv"))
    row = replace(ROW, setup=test.setup, **nothing, path_mohm=143.0, path_u_mohm=3.0)
    picture = draw_trace(row, test.measurement, made, identity="t")
    assert len(points_of(picture)) == 19
    assert "path 143.0 mohm" in picture


def test_wander_without_a_jump_does_not_fill_the_plot() -> None:
    made = DrawnTest(started_s=0.0, ended_s=30.0)
    for t_s in range(30):
        made.readings.add(float(t_s), 5.0 + 0.2 * (t_s % 2))
    row = replace(ROW, on_mv=5.1, verdict=Verdict.NOT_IN_PATH, drop_mv=0.1)
    heights = [y for _, y in points_of(draw_trace(row, SEEN, made, identity="t"))]
    assert max(heights) - min(heights) < 3.0


def test_a_test_in_which_nothing_was_measured_is_drawn_all_the_same() -> None:
    row = replace(
        ROW, idle_mv=None, on_mv=None, after_mv=None, drop_mv=None, verdict=Verdict.UNCLEAR
    )
    nothing = replace(SEEN, on_at_s=None, off_at_s=None)
    assert "not seen" in draw_trace(row, nothing, DrawnTest(0.0), identity="t")
    assert len(points_of(draw_trace(row, nothing, trace(), identity="t"))) == 30


@pytest.mark.parametrize(
    ("value_mv", "spread_mv", "text"),
    [
        (None, None, "not seen"),
        (4.764, None, "4.76 mV"),
        (596.49, 1.26, "596.5 (sd 1.3) mV"),
        (118_450.0, 120.0, "118.45 (sd 0.12) V"),
    ],
)
def test_levels_are_in_the_unit_that_reads_best(
    value_mv: float | None, spread_mv: float | None, text: str
) -> None:
    assert level_text(value_mv, spread_mv) == text


def test_traces_belong_to_the_tests_of_a_visit_and_change_nothing_in_them(captures: Path) -> None:
    visit = captures / "circuit-105" / "visit.jsonl"
    with CaptureReader(visit) as reader:
        circuit, _ = circuit_from_header(reader.header.circuit or {}, "header")
        plain = list(completed_tests(replay(reader), circuit))
    with CaptureReader(visit) as reader:
        traced = list(traced_tests(replay(reader), circuit))
    assert [test for test, _ in traced] == plain
    for test, made in traced:
        assert made.started_s == test.started_s
        assert made.load_on_s
        times = [t_s for t_s, _ in made.readings.points()]
        assert 0.0 <= min(times) <= max(times) <= made.ended_s
