"""``meterlink trials LOG...`` from the arguments to what is printed."""

import csv
import io
import json
from datetime import UTC, datetime

import numpy as np
import pytest
from lab.logs import drops, write_log
from lab.reference import facts

from meterlink.live.terminal import Progress
from meterlink.testlog.findings import withdraw


@pytest.fixture
def bench(tmp_path):
    """Thirty trials by two operators, one of which is in volts."""
    values = np.random.default_rng(1).normal(150, 1, 30).round(4)
    values[12] /= 1000
    rows = [{"drop_mV": v, "operator": "AB"[k % 2]} for k, v in enumerate(values)]
    return write_log(tmp_path / "bench.csv", rows, extra=("operator",))


def test_a_series_is_told_in_words(meterlink, bench):
    run = meterlink("trials", bench)
    assert run.code == 0
    assert "neutral-neutral Desk to Door, load at Bed\n  30 trials, 30 in-path" in run.out
    assert "standard uncertainty of the mean" in run.out
    assert "drop_u_mV is too small" in run.out
    assert "suspected outlier: test 13 in" in run.out
    assert "volts typed for millivolts?" in run.out
    assert "without what is suspected: mean 150.0" in run.out


def test_json_holds_every_figure_and_no_nan(meterlink, bench):
    run = meterlink("trials", bench, "--json")
    content = json.loads(run.out, parse_constant=pytest.fail)
    (group,) = content["groups"]
    assert group["n"] == 30
    assert group["key"] == {"setup": "neutral-neutral Desk to Door, load at Bed"}
    assert (13, True) in [(one["test"], one["unit_slip"]) for one in group["suspects"]]
    assert group["stated"]["agreement"] == "stated too small"
    assert group["drift"]["per"] == "hour"
    assert 1 <= group["expanded"]["dof"] <= 29


def test_a_ratio_of_what_was_measured_together_is_that_of_the_guides_example_h_2(
    meterlink, tmp_path
):
    # JCGM 100:2008, H.2: voltage and current, five times, measured together and correlated. A ratio
    # for each row has the correlation in its scatter (H.2.4); --per-amp does just that.
    example = facts("gum_examples.json")["H.2"]
    volts, milliamps = np.array(example["V_volt"]), np.array(example["I_mA"])
    rows = [
        {"drop_mV": f"{1e3 * v:.0f}", "amps": f"{i / 1e3:.6f}", "drop_u_mV": ""}
        for v, i in zip(volts, milliamps, strict=True)
    ]
    run = meterlink("trials", write_log(tmp_path / "h2.csv", rows), "--per-amp", "--json")
    (group,) = json.loads(run.out)["groups"]
    published = example["published"]
    assert group["mean"] / 1e3 == pytest.approx(published["Z_ohm"], abs=0.0005)
    assert group["u_mean"] / 1e3 == pytest.approx(published["u_Z"], abs=0.0005)
    assert np.corrcoef(volts, milliamps)[0, 1] == pytest.approx(published["r_VI"], abs=0.005)
    # As if the two were independent it would be a seventh too small: the check can tell.
    shares = [np.std(x, ddof=1) / np.sqrt(5) / np.mean(x) for x in (volts, milliamps)]
    alone = published["Z_ohm"] * np.hypot(*shares)
    assert alone < published["u_Z"] - 0.03


def test_csv_is_one_row_a_group_that_a_reader_of_tables_takes(meterlink, tmp_path):
    rows = [*drops(1, 2, 3), {"drop_mV": 4, "lead_a": "=1+1"}, {"drop_mV": "", "load_at": "Hall"}]
    run = meterlink("trials", write_log(tmp_path / "log.csv", rows), "--csv")
    records = list(csv.DictReader(io.StringIO(run.out)))
    assert [record["n"] for record in records] == ["3", "1", "0"]
    assert [record["mean"] for record in records] == ["2.0", "4.0", ""]
    assert records[1]["sd"] == ""


def test_one_factor_gives_within_and_between(meterlink, bench):
    run = meterlink("trials", bench, "--by", "operator")
    assert "by operator: levels do not differ" in run.out
    assert "  A: 15 trials" in run.out
    content = json.loads(meterlink("trials", bench, "--by", "operator", "--json").out)
    comparison = content["groups"][0]["comparison"]
    assert comparison["kind"] == "one-way"
    assert [level["level"] for level in comparison["levels"]] == ["A", "B"]


def test_the_published_gauge_study_comes_back_from_a_log(meterlink, tmp_path):
    study = facts("gauge_studies.json")["msa_crossed"]
    rows = [
        {"drop_mV": value, "load_at": f"P{part}", "operator": "ABC"[place // 3]}
        for part, line in enumerate(study["data"])
        for place, value in enumerate(line)
    ]
    log = write_log(tmp_path / "gauge.csv", rows, extra=("operator",))
    run = meterlink("trials", log, "--by", "setup", "--by", "operator")
    assert "sd of both: the gauge                    0.302 mV (" in run.out
    assert " 27.9 % of total (" in run.out
    assert "distinct categories: 4.9" in run.out
    content = json.loads(
        meterlink("trials", log, "--by", "setup", "--by", "operator", "--json").out
    )
    found = content["groups"][0]["comparison"]
    assert found["s_gauge"] == pytest.approx(study["anova"]["GRR"], rel=1e-5)


def test_a_study_whose_levels_nothing_connects_says_so(meterlink, bench):
    run = meterlink("trials", bench, "--by", "test", "--by", "operator")
    assert run.code == 0
    assert "cannot be compared: combinations fall into groups that share no level" in run.out


def test_many_groups_are_a_table_with_remarks_below(meterlink, tmp_path):
    rng = np.random.default_rng(3)
    rows = [
        {"drop_mV": round(rng.normal(50 + k, 1), 4), "load_at": f"R{k}", "operator": "AB"[j % 2]}
        for k in range(8)
        for j in range(10)
    ]
    rows[25]["drop_mV"] = 80
    log = write_log(tmp_path / "log.csv", rows, extra=("operator",))
    run = meterlink("trials", log)
    assert run.out.count("\n    10 ") == 8
    assert "chance alone makes each kind of them" in run.out
    assert "suspected outlier: test 26" in run.out
    assert "reproduc." in meterlink("trials", log, "--by", "operator").out


def test_a_trial_is_left_out_only_when_asked_and_it_is_told(meterlink, bench, tmp_path):
    run = meterlink("trials", bench, "--leave-out", 13, "--plot", tmp_path / "page.html")
    assert "29 trials" in run.out
    assert "left out as asked: 13" in run.err
    assert "test 13 in" in (tmp_path / "page.html").read_text(encoding="utf-8")
    content = json.loads(meterlink("trials", bench, "--leave-out", f"{bench}:13", "--json").out)
    assert content["left_out"] == [{"log": str(bench), "test": 13}]


def test_one_trial_is_told_as_one_trial(meterlink, tmp_path):
    run = meterlink("trials", write_log(tmp_path / "log.csv", drops(42)))
    assert run.code == 0
    assert "1 trial: no spread can be given" in run.out
    assert "mean 42.00 mV, 42.00 to 42.00" in run.out


def test_zero_spread_is_told_as_resolution(meterlink, tmp_path):
    run = meterlink("trials", write_log(tmp_path / "log.csv", drops(*[7] * 12)))
    assert run.code == 0
    assert "below the display's resolution" in run.out


def test_rows_in_other_units_are_named_and_counted(meterlink, tmp_path):
    run = meterlink("trials", write_log(tmp_path / "log.csv", drops(1, "2 mV", 3)))
    assert run.code == 0
    assert "line 3: drop_mV is '2 mV'" in run.err
    assert "1 rows could not be used" in run.err


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--json", "--csv"], "exclude each other"),
        (["--confidence", "95"], "expected 0.5 or more, below 1"),
        (["--confidence", "nan"], "expected 0.5 or more, below 1"),
        (["--resolution", "nan"], "expected the step of the display"),
        (["--by", "test", "--by", "test"], "two different ones"),
        (["--by", "color"], "has no column color"),
        (["--group", "load"], "Did you mean load_at"),
        (["--leave-out", "99"], "has no test 99"),
        (["--leave-out", "other.csv:1"], "expected the number of a test"),
        (["--leave-out", "first"], "expected the number of a test"),
        (["--also", "0.1mV"], "is no uncertainty"),
        (["--also", "0.1", "--by", "test", "--by", "operator"], "Leave one --by out"),
    ],
)
def test_what_makes_no_sense_is_wrong_usage(meterlink, bench, options, message):
    run = meterlink("trials", bench, *options)
    assert run.code == 2
    assert message in run.err
    assert run.out == ""


@pytest.mark.parametrize("rows", [[], drops("", "")])
def test_logs_without_a_value_cannot_be_evaluated(meterlink, tmp_path, rows):
    run = meterlink("trials", write_log(tmp_path / "log.csv", rows))
    assert run.code == 1
    assert "no trial to evaluate" in run.err


def test_names_that_command_a_terminal_do_not_reach_it(meterlink, tmp_path):
    rows = [{"drop_mV": 1, "lead_a": "\x1b[2JDesk"}]
    run = meterlink("trials", write_log(tmp_path / "log.csv", rows))
    assert "\x1b" not in run.out


def test_what_was_taken_back_is_left_out_and_told_everywhere(meterlink, tmp_path):
    write_log(tmp_path / "tests.csv", drops(150, 151, 90, 152, 20))
    for number in (3, 5):
        withdraw(tmp_path, number, datetime(2026, 5, 4, tzinfo=UTC))
    page = tmp_path / "page.html"
    run = meterlink("trials", tmp_path, "--plot", page)
    assert "3 trials, 3 in-path" in run.out
    assert "2 tests were removed and are left out: 3, 5 (withdrawn.jsonl)" in run.err
    assert "2 left out: test 3 in" in page.read_text(encoding="utf-8")
    content = json.loads(meterlink("trials", tmp_path, "--json").out)
    assert [one["test"] for one in content["withdrawn"]] == [3, 5]
    assert content["groups"][0]["n"] == 3


def test_half_a_log_in_volts_is_said(meterlink, tmp_path):
    values = np.random.default_rng(1).normal(150, 1, 24).round(4)
    values[::2] /= 1000
    run = meterlink("trials", write_log(tmp_path / "log.csv", drops(*values)))
    assert "12 of 24 values are about a thousand times smaller than the rest" in run.out
    straight = meterlink("trials", write_log(tmp_path / "o.csv", drops(*(1000 * values[::2]))))
    assert "a thousand times" not in straight.out


def test_a_level_is_left_out_as_the_text_advises(meterlink, bench):
    run = meterlink("trials", bench, "--without", "operator=B", "--leave-out", 13)
    assert "14 trials" in run.out
    assert "15 rows are left out: --without operator=B." in run.err
    wrong = meterlink("trials", bench, "--without", "operator=C")
    assert wrong.code == 2
    assert "operator has: A, B" in wrong.err


def test_a_bias_a_resolution_and_a_certificate_are_told_and_written(meterlink, bench, tmp_path):
    options = ("--leave-out", 13, "--known", "149:0.1", "--resolution", 0.5)
    run = meterlink("trials", bench, *options)
    assert "bias against 149 mV: +0.9" in run.out
    assert "  result: (1" in run.out
    assert "± 0." in run.out
    (group,) = json.loads(meterlink("trials", bench, *options, "--json").out)["groups"]
    assert group["bias"]["significant"]
    assert group["resolution"] == pytest.approx(0.5 / 12**0.5)
    assert group["certificate"]["expanded"] in run.out


@pytest.mark.parametrize("by", [(), ("--by", "operator"), ("--by", "load_at", "--by", "operator")])
def test_csv_has_every_figure_that_json_has(meterlink, tmp_path, by):
    rng = np.random.default_rng(5)
    rows = [
        {"drop_mV": round(v, 4), "operator": "AB"[k % 2], "load_at": "XYZ"[k % 3]}
        for k, v in enumerate(rng.normal(150, 1, 30))
    ]
    log = write_log(tmp_path / "log.csv", rows, extra=("operator",))
    groups = ("--group", "hookup", *by)
    text = meterlink("trials", log, *groups, "--csv").out
    (record,) = csv.DictReader(io.StringIO(text))
    (group,) = json.loads(meterlink("trials", log, *groups, "--json").out)["groups"]
    written = [cell for cell in record.values() if cell]

    def figures(value):
        if isinstance(value, dict):
            for item in value.values():
                yield from figures(item)
        elif isinstance(value, list):
            for item in value:
                yield from figures(item)
        elif isinstance(value, float):
            yield value

    found = list(figures(group))
    assert len(found) > 20
    missing = [one for one in found if not any(str(one) in cell for cell in written)]
    assert missing == []


def test_trials_that_are_none_are_not_counted_and_it_is_said(meterlink, tmp_path):
    rows = drops(150, 151, 149, 0.3, 80)
    rows[3]["verdict"], rows[4]["verdict"] = "not-in-path", "unclear"
    log = write_log(tmp_path / "log.csv", rows)
    run = meterlink("trials", log)
    assert "mean 150.00 mV" in run.out
    assert (
        "not counted: 1 unclear and 1 not-in-path where others are (was the load switched?) "
        "(tests 4, 5). With them: mean 106.06"
    ) in run.out
    assert "5 trials" in meterlink("trials", log, "--all-verdicts").out
    (group,) = json.loads(meterlink("trials", log, "--json").out)["groups"]
    assert [one["test"] for one in group["not_counted"]] == [4, 5]


def test_how_far_two_trials_differ_is_said_only_where_it_is_true(meterlink, tmp_path):
    rng = np.random.default_rng(6)
    rows = [{"drop_mV": round(v, 4), "operator": "AB"[k % 2]} for k, v in
            enumerate(rng.normal(150, 1, 20))]  # fmt: skip
    log = write_log(tmp_path / "log.csv", rows, extra=("operator",))
    assert (
        "two trials differ by more once in twenty"
        in meterlink("trials", log, "--by", "operator").out
    )
    rows[5]["drop_mV"] = 190
    log = write_log(tmp_path / "log.csv", rows, extra=("operator",))
    run = meterlink("trials", log, "--by", "operator")
    assert "once in twenty is not said: there are suspected outliers" in run.out


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--only", "operator"], "expected COLUMN=TEXT"),
        (["--without", "=x"], "expected COLUMN=TEXT"),
        (["--since", "Monday"], "expected a date"),
        (["--known", "150mV"], "is no known value"),
        (["--only", "colour=red"], "has no column colour"),
    ],
)
def test_choices_that_make_no_sense_are_wrong_usage(meterlink, bench, options, message):
    run = meterlink("trials", bench, *options)
    assert run.code == 2
    assert message in run.err


def test_rows_that_were_not_chosen_stand_on_the_page(meterlink, bench, tmp_path):
    page = tmp_path / "page.html"
    meterlink("trials", bench, "--without", "operator=B", "--plot", page)
    assert "15 rows: --without operator=B" in page.read_text(encoding="utf-8")


def test_progress_is_told_now_and_then(capsys):
    seconds = iter([0.0, 1.0, 6.0, 7.0, 12.0, 20.0])
    with Progress("rows", clock=lambda: next(seconds)) as progress:
        for rows, share in ((100, 0.1), (600, 0.5), (700, 0.55), (900, 0.75), (1200, 1.0)):
            progress.share(rows, share)
    assert capsys.readouterr().err.splitlines() == [
        "600 rows, 50 %, about 6 s left",
        "900 rows, 75 %, about 4 s left",
    ]
