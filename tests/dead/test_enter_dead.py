"""Readings of the dead circuit by eye: ohms, and signed millivolts of a direct source."""

import json

import pytest
from conftest import JOB_OF_THREE
from hypothesis import given
from hypothesis import strategies as st

from meterlink.circuit.circuit import Circuit
from meterlink.circuit.setup import Hookup, Verdict, made_setup
from meterlink.errors import UsageError
from meterlink.testlog.reader import read_rows
from meterlink.testlog.rows import coarse_step, step_of

JOB = JOB_OF_THREE.format(amps=5)
PATH = ("--hookup", "path-resistance", "--lead-a", "Desk")
LOOP = ("--hookup", "loop-resistance", "--lead-a", "Bed")
NEUTRALS = ("--hookup", "neutral-neutral", "--lead-a", "Desk", "--load-at", "Bed")
FEED = {"Door": ("panel", 90.0), "Desk": ("Door", 30.0), "Bed": ("Desk", 45.0)}  # mohm


@pytest.fixture
def job(tmp_path):
    (tmp_path / "job.toml").write_text(JOB)
    return tmp_path


@pytest.fixture
def injected(tmp_path):
    (tmp_path / "job.toml").write_text(JOB + 'kind = "direct-source"\n')
    return tmp_path


def entered(job, meterlink, *options):
    done = meterlink("enter", job, *options)
    assert done.code == 0, done.err
    return list(read_rows(job / "tests.csv"))[-1]


def depth(name):
    way = set()
    while name in FEED:
        way.add(name)
        name = FEED[name][0]
    return way


def test_a_path_is_logged_in_milliohms_without_a_load(job, meterlink):
    row = entered(job, meterlink, *PATH, "--lead-b", "Door", "--ohms", "0.143")
    assert (row.setup.load_at, row.setup.side, row.drop_mv) == ("", "neutral", None)
    assert row.path_mohm == pytest.approx(143.0)
    assert 3.0 <= row.path_u_mohm < 3.1


def test_the_last_digit_of_the_display_counts(job, meterlink):
    coarse = entered(job, meterlink, *PATH, "--ohms", "0.14")
    told = entered(job, meterlink, *PATH, "--ohms", "0.140", "--step-ohms", "0.1")
    assert coarse.path_u_mohm == pytest.approx((3**2 + 10**2 / 12) ** 0.5, rel=1e-3)
    assert told.path_u_mohm == pytest.approx((3**2 + 100**2 / 12) ** 0.5, rel=1e-3)


def test_four_wires_leave_the_contacts_out(job, meterlink):
    row = entered(job, meterlink, *PATH, "--ohms", "0.1430", "--four-wire")
    assert row.path_u_mohm < 0.4


def test_a_loop_names_its_two_conductors_in_one_order(job, meterlink):
    row = entered(job, meterlink, *LOOP, "--side", "ground+hot", "--ohms", "0.41")
    assert (row.setup.side, row.path_mohm) == ("hot+ground", pytest.approx(410.0))


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ((*PATH, "--ohms", "3.14"), "wander lead nulled"),
        ((*PATH, "--ohms", "143000"), "kilohm"),
        ((*PATH, "--ohms", "-0.5"), "nulled"),
        ((*PATH, "--ohms", "OL"), "no number"),
        ((*PATH, "--ohms", "nan"), "finite"),
        ((*PATH, "--idle", "1", "--on", "2"), "in ohms"),
        ((*PATH, "--ohms", "0.1", "--load-at", "Bed"), "no load"),
        ((*PATH, "--ohms", "0.1", "--side", "hot+ground"), "one conductor"),
        ((*LOOP, "--ohms", "0.4"), "two conductors"),
        ((*LOOP, "--ohms", "0.4", "--side", "hot+hot"), "two conductors"),
        ((*NEUTRALS, "--lead-b", "Door", "--ohms", "0.1"), "path-resistance"),
        ((*NEUTRALS, "--lead-b", "Door", "--side", "hot", "--jump"), "dead circuit only"),
        ((*NEUTRALS, "--idle", "1", "--on", "2"), "two receptacles"),
    ],
)
def test_what_cannot_be_is_refused_with_what_to_do(job, meterlink, options, words):
    done = meterlink("enter", job, *options)
    assert done.code == 2, done.err
    assert words in done.err
    assert not (job / "tests.csv").exists()


def test_the_wander_leads_own_resistance_is_taken_off(job, meterlink):
    row = entered(job, meterlink, *PATH, "--ohms", "3.143", "--lead-ohms", "3.000")
    assert row.path_mohm == pytest.approx(143.0)


def test_a_very_poor_joint_can_be_entered_when_the_leads_were_nulled(job, meterlink):
    assert entered(job, meterlink, *PATH, "--ohms", "3.14", "--nulled").path_mohm == 3140.0


def test_levels_of_a_direct_source_keep_their_sign(injected, meterlink):
    between = (*NEUTRALS, "--lead-b", "Door")
    row = entered(injected, meterlink, *between, "--idle", "0.02", "--on", "-150.23")
    assert (row.setup.lead_b, row.setup.side) == ("Door", "neutral")
    assert row.drop_mv == pytest.approx(-150.25)
    assert row.drop_u_mv < 0.2
    assert row.verdict is Verdict.IN_PATH


def test_a_negative_depth_is_a_swapped_polarity_and_refused(injected, meterlink):
    done = meterlink("enter", injected, *NEUTRALS, "--idle", "0.02", "--on", "-150.23")
    assert done.code == 2
    assert "swapped" in done.err


def test_line_drop_needs_the_supply(injected, meterlink):
    line = ("--hookup", "line-drop", "--lead-a", "Bed", "--load-at", "Bed")
    done = meterlink("enter", injected, *line, "--idle", "1", "--on", "2")
    assert done.code == 2
    assert "loop-resistance" in done.err


def test_ohms_alone_settle_the_order_and_give_the_runs(job, meterlink):
    for a, b in (("Door", ""), ("Desk", ""), ("Bed", ""), ("Door", "Desk"), ("Desk", "Bed")):
        mohm = sum(FEED[name][1] for name in depth(a) ^ depth(b))
        lead_b = ("--lead-b", b) if b else ()
        options = ("--hookup", "path-resistance", "--lead-a", a, *lead_b)
        entered(job, meterlink, *options, "--ohms", f"{mohm / 1e3:.4f}", "--four-wire")
    found = json.loads(meterlink("map", job, "--json").out)
    assert found["settled"]
    assert {p["name"]: p["fed_from"] for p in found["points"]} == {
        name: feed for name, (feed, _) in FEED.items()
    }
    for point in found["points"]:
        assert point["run_mohm"] == pytest.approx(FEED[point["name"]][1], abs=1.0)


def test_the_next_dead_test_needs_no_load(job, meterlink):
    asked = json.loads(meterlink("next", job, "--json", "--with", "path-resistance").out)
    assert (asked["hookup"], asked["load_at"], asked["side"]) == (
        "path-resistance",
        None,
        "neutral",
    )
    said = meterlink("next", job, "--with", "path-resistance").out
    assert "Read the ohms of the neutral" in said


def test_live_hookups_take_no_conductor_and_dead_ones_have_their_usual_one():
    assert made_setup(Hookup.NEUTRAL_GROUND, "A", None, "B").side == ""
    assert made_setup(Hookup.NEUTRAL_GROUND, "A", None, "B", direct=True).side == "neutral+ground"
    assert made_setup(Hookup.PATH_RESISTANCE, "A").side == "neutral"
    with pytest.raises(UsageError, match="dead circuit only"):
        made_setup(Hookup.NEUTRAL_GROUND, "A", None, "B", side="hot")


@given(st.decimals(min_value=0, max_value=9999, places=4))
def test_the_step_is_the_last_digit_typed(number):
    assert step_of(str(number)) == pytest.approx(10.0 ** number.as_tuple().exponent)


def test_a_step_of_a_tenth_of_an_ohm_is_said_to_be_too_coarse():
    copper = Circuit("c", ("A",), conductor="14 AWG copper")  # 3 m and two joints
    assert "step of 0.1 ohm cannot tell runs of 31 mohm" in coarse_step(0.1, copper)
    assert coarse_step(0.01, copper) is None


def test_next_says_before_anything_is_clipped_on_that_the_meter_is_too_coarse(job, meterlink):
    path = ("next", job, "--with", "path-resistance", "--step-ohms")
    assert "cannot tell runs" in meterlink(*path, "0.1").err
    assert "cannot tell runs" not in meterlink(*path, "0.001").err


def test_a_current_between_two_receptacles_needs_no_ground(injected, meterlink):
    ends = ("--load-at", "Bed", "--return-at", "Door", "--lead-a", "Desk", "--lead-b", "Door")
    neutrals = ("--hookup", "neutral-neutral", *ends)
    row = entered(injected, meterlink, *neutrals, "--idle", "0", "--on", "150")
    assert (row.setup.load_at, row.setup.return_at) == ("Bed", "Door")
    assert row.setup.places == ("Desk", "Door", "Bed")


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--load-at", "Bed", "--return-at", "Bed"), "shows nothing"),
        (("--load-at", "Bed", "--return-at", "Attic"), "no receptacle"),
    ],
)
def test_a_way_back_that_makes_no_sense_is_refused(injected, meterlink, options, words):
    neutrals = ("--hookup", "neutral-neutral", "--lead-a", "Desk", *options)
    done = meterlink("enter", injected, *neutrals, "--idle", "0", "--on", "150")
    assert done.code == 2
    assert words in done.err
