"""The plot page: stands alone, is escaped, and does not change by itself."""

import re
from html.parser import HTMLParser
from xml.etree import ElementTree

import numpy as np
import pytest
from lab.logs import write_log

from meterlink.lab.page import MAX_PLOTS, MAX_POINTS, draw_series, render_page
from meterlink.lab.study import study_logs
from meterlink.lab.table import Question

AWKWARD = '"><script>alert(1)</script>\u202e\x1b'


class Elements(HTMLParser):
    """Names and attributes of all elements."""

    def __init__(self, page):
        super().__init__()
        self.found = []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))


@pytest.fixture
def bench(tmp_path):
    rng = np.random.default_rng(3)
    rows = [
        {"drop_mV": round(rng.normal(100, 1), 4), "load_at": load, "operator": "ABC"[k % 3]}
        for load in ("Bed", AWKWARD)
        for k in range(30)
    ]
    rows[7]["drop_mV"] = 140
    return write_log(tmp_path / "bench.csv", rows, extra=("operator",))


def page_of(path, **question):
    return render_page(study_logs([path], Question(**question)))


@pytest.mark.parametrize(
    "question",
    [{}, {"factors": ("operator",)}, {"groups": (), "factors": ("setup", "operator")}],
    ids=["series", "one factor", "crossed"],
)
def test_names_with_markup_stay_text_and_nothing_comes_from_outside(bench, question):
    page = page_of(bench, **question)
    elements = Elements(page).found
    assert "script" not in {tag for tag, _ in elements}
    assert not [a for _, a in elements if {"src", "href", "style"} & set(a)]
    assert "default-src 'none'" in page
    assert "\u202e" not in page
    assert "\x1b" not in page
    identities = [a["id"] for _, a in elements if "id" in a]
    assert len(identities) == len(set(identities))


def test_the_same_log_gives_the_same_page(bench):
    assert page_of(bench) == page_of(bench)


def test_pictures_say_in_words_what_they_show(bench):
    study = study_logs([bench], Question())
    root = ElementTree.fromstring(draw_series(study.groups[0], study, "one"))
    words = "".join(root.itertext())
    assert "30 trials, mean" in words
    assert "Suspected outliers: tests 8." in words
    assert root.attrib["role"] == "img"


def test_a_long_series_is_thinned_but_keeps_its_extremes(tmp_path):
    values = np.random.default_rng(1).normal(100, 1, 5000).round(4)
    values[[1234, 4321]] = 80, 130
    path = write_log(tmp_path / "log.csv", [{"drop_mV": value} for value in values])
    study = study_logs([path], Question())
    picture = draw_series(study.groups[0], study, "one")
    drawn = re.search(r"(\d+) of 5000 trials drawn", picture)
    assert drawn is not None
    assert MAX_POINTS <= int(drawn[1]) <= MAX_POINTS + 20
    assert "test 1235" in picture
    assert "test 4322" in picture


def test_more_series_than_can_be_looked_at_are_in_the_table_only(tmp_path):
    rows = [{"drop_mV": k, "load_at": f"R{k}"} for k in range(MAX_PLOTS + 5)]
    page = page_of(write_log(tmp_path / "log.csv", rows))
    assert page.count("<svg") == MAX_PLOTS
    assert "5 more series are in the table above" in page


@pytest.mark.parametrize("values", [[5.0], [0.0, 0.0], [1e-9, -1e9], [3.0] * 30, [""] * 3])
def test_one_trial_no_spread_and_a_wide_range_are_drawn(tmp_path, values):
    rows = [{"drop_mV": value} for value in [*values, 1.0]] if values[0] == "" else None
    path = write_log(tmp_path / "log.csv", rows or [{"drop_mV": value} for value in values])
    assert "nan" not in page_of(path).lower().replace("nanum", "")


def test_the_command_writes_the_page_and_tells_where(meterlink, bench, tmp_path):
    run = meterlink("trials", bench, "--plot", tmp_path / "page.html")
    assert run.code == 0
    assert (tmp_path / "page.html").read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    failed = meterlink("trials", bench, "--plot", tmp_path / "nowhere" / "page.html")
    assert failed.code == 1
    assert "cannot be written" in failed.err
