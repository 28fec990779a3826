import hashlib
import re
from base64 import b64decode
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest

from meterlink.circuit.circuit import Circuit
from meterlink.circuit.job import Job, write_job
from meterlink.show.report import render_report
from meterlink.testlog.columns import TestRow
from meterlink.testlog.from_capture import replay_into
from meterlink.tree.wiring import Doubt, First, Point, PoorJoint, WiringMap

from .maps import busy, known, untouched

HOSTILE = [
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "' onload='x",
    "&lt;b&gt; ]]> -->",
    "مطبخ 12",
    "👩\u200d🔧 台所",
    "\u202egnp.exe",
    "{{ 7*7 }}{% raw %}",
    "N" * 200,
]
VOID = {"meta", "br", "hr", "img", "input", "link"}


class Outline(HTMLParser):
    """Checks nesting and gathers what a page holds."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[str] = []
        self.attributes: list[tuple[str, str, str | None]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, key, value) for key, value in attrs]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.attributes += [(tag, key, value) for key, value in attrs]

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def outline(page: str) -> Outline:
    parsed = Outline()
    parsed.feed(page)
    parsed.close()
    assert parsed.open == []
    return parsed


@pytest.fixture(scope="module")
def visited(tmp_path_factory: pytest.TempPathFactory) -> tuple[Job, tuple[TestRow, ...], WiringMap]:
    """A replayed visit with a map of its receptacles."""
    visit = Path(__file__).parents[2] / "fixtures" / "captures" / "circuit-105" / "visit.jsonl"
    done = replay_into(visit, tmp_path_factory.mktemp("job"))
    names = done.job.circuit.receptacles
    feeds = ("panel", *names)
    points = tuple(
        Point(name, feed, 0.99, 30.0 + k, 1.0, 3.6)
        for k, (name, feed) in enumerate(zip(names, feeds, strict=False))
    )
    doubts = (Doubt(2, 0.97, "no change where a jump must come"),)
    joints = (PoorJoint(names[1], "hot", 0.98, 80.0, 4.0, 8.6),)
    made = WiringMap(First(names[0], 0.99), True, 0.97, points, (), doubts, len(done.rows), joints)
    return done.job, done.rows, made


def report_of(visited: tuple[Job, tuple[TestRow, ...], WiringMap], dated: str = "") -> str:
    job, rows, wiring_map = visited
    return render_report(job, rows, known(wiring_map), dated=dated)


def hostile_map() -> WiringMap:
    points = tuple(
        Point(name, "panel" if k == 0 else HOSTILE[k - 1], 0.9, 30.0, 1.0, 3.0, ("<i>flag",))
        for k, name in enumerate(HOSTILE)
    )
    return WiringMap(
        First(HOSTILE[0], 0.9),
        settled=False,
        order_probability=0.5,
        points=points,
        splices=(),
        doubts=(Doubt(1, 0.9, "<u>why</u>"),),
        tests=1,
        poor_joints=(PoorJoint(HOSTILE[1], "<s>", 0.9, 50.0, 2.0, None),),
        unseparated=(tuple(HOSTILE[:2]),),
        untested=(HOSTILE[2],),
        notes=("<script>note</script>",),
    )


def test_a_page_holds_what_a_handover_needs(
    visited: tuple[Job, tuple[TestRow, ...], WiringMap],
) -> None:
    job, rows, wiring_map = visited
    page = outline(render_report(job, rows, known(wiring_map)))
    text = " ".join(" ".join(page.text).split())
    for heading in (
        "Map",
        "What to look at",
        "Receptacles and joints",
        "Voltage drop at full load",
        "What to do next",
        "Check with the power off",
        "Tests",
        "Instruments",
        "Assumptions and limits",
        "Cautions",
        "Files that this report rests on",
        "Signature",
    ):
        assert heading in text
    assert f"First after the panel: {wiring_map.first.receptacle}" in text
    assert "licensed electrician" in text
    assert text.count("Readings of test") == len(rows)
    assert page.tags.count("svg") == len(rows) + 1


def test_digests_are_those_of_the_files(
    visited: tuple[Job, tuple[TestRow, ...], WiringMap],
) -> None:
    job, rows, wiring_map = visited
    page = render_report(job, rows, known(wiring_map))
    for name in ("job.toml", "tests.csv", "captures/visit.jsonl"):
        assert name in page
        assert hashlib.sha256((job.folder / name).read_bytes()).hexdigest() in page


def test_the_same_job_gives_the_same_page_byte_for_byte(
    visited: tuple[Job, tuple[TestRow, ...], WiringMap],
) -> None:
    first, again = (report_of(visited) for _ in range(2))
    assert first == again
    assert "12 May" not in first
    assert "12 May" in report_of(visited, dated="12 May")


def test_nothing_is_loaded_run_or_sent(
    visited: tuple[Job, tuple[TestRow, ...], WiringMap],
) -> None:
    page = report_of(visited)
    parsed = outline(page)
    assert not {"script", "link", "img", "iframe", "object", "form", "a", "image", "use"} & set(
        parsed.tags
    )
    assert not [key for _, key, _ in parsed.attributes if key.startswith("on")]
    assert not [key for _, key, _ in parsed.attributes if key in ("src", "href", "style")]
    assert "url(" not in page
    assert "@import" not in page


def test_the_content_policy_admits_the_page_s_own_style_alone(
    visited: tuple[Job, tuple[TestRow, ...], WiringMap],
) -> None:
    page = report_of(visited)
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page)
    assert policy is not None
    assert policy[1].startswith("default-src 'none'; style-src 'sha256-")
    assert "unsafe" not in policy[1]
    style = re.search(r"<style>(.*)</style>", page, re.DOTALL)
    assert style is not None
    stated = policy[1].split("'sha256-")[1].split("'")[0]
    assert b64decode(stated) == hashlib.sha256(style[1].encode()).digest()


def test_ids_are_unique_and_every_reference_is_there(
    visited: tuple[Job, tuple[TestRow, ...], WiringMap],
) -> None:
    attributes = outline(report_of(visited)).attributes
    ids = [value for _, key, value in attributes if key == "id"]
    assert len(ids) == len(set(ids))
    for _, key, value in attributes:
        if key == "aria-labelledby":
            assert set((value or "").split()) <= set(ids)


def test_table_heads_have_a_scope(
    visited: tuple[Job, tuple[TestRow, ...], WiringMap],
) -> None:
    parsed = outline(report_of(visited))
    heads = parsed.tags.count("th")
    assert heads > 10
    assert len([1 for tag, key, _ in parsed.attributes if (tag, key) == ("th", "scope")]) == heads


def test_hostile_names_are_shown_as_text_and_nothing_else(tmp_path: Path) -> None:
    job = write_job(tmp_path, Circuit(HOSTILE[0], tuple(HOSTILE), volts=120, breaker_amps=15))
    page = render_report(job, [], known(hostile_map()))
    parsed = outline(page)
    text = "".join(parsed.text)
    assert not {"script", "img", "u", "b", "i", "s"} & set(parsed.tags)
    for name in HOSTILE:
        assert name.replace("\u202e", "\ufffd") in text
    assert "\u202e" not in page
    assert "<u>why</u>" in text
    assert "{{ 7*7 }}{% raw %}" in text


def test_a_job_before_its_first_test_has_a_page(tmp_path: Path) -> None:
    job = write_job(tmp_path, Circuit("Rooms", ("A", "B")))
    text = "".join(outline(render_report(job, [], known(untouched()))).text)
    assert "unknown; nothing was tested yet" in text
    assert "No test has been logged" in text


def test_a_row_whose_capture_is_gone_or_foreign_is_shown_without_a_plot(
    visited: tuple[Job, tuple[TestRow, ...], WiringMap],
) -> None:
    job, rows, wiring_map = visited
    strays = [
        replace(rows[0], capture="gone.jsonl"),
        replace(rows[1], capture="../captures/visit.jsonl"),
        replace(rows[2], capture="/etc/passwd"),
    ]
    parsed = outline(render_report(job, strays, known(wiring_map)))
    assert parsed.tags.count("svg") == 1
    assert "".join(parsed.text).count("No recording of this test") == 3


def test_a_capture_that_cannot_be_read_is_named_and_the_page_made_all_the_same(
    visited: tuple[Job, tuple[TestRow, ...], WiringMap], tmp_path: Path
) -> None:
    _, rows, wiring_map = visited
    job = write_job(tmp_path, visited[0].circuit)
    (tmp_path / "captures").mkdir()
    (tmp_path / "captures" / "visit.jsonl").write_bytes(b"\x00\xffrubbish")
    text = "".join(outline(render_report(job, rows, known(wiring_map))).text)
    assert "not a capture" in text
    assert "no plots" in text


def test_urgent_findings_are_told_by_a_sign_and_not_by_colour_alone(tmp_path: Path) -> None:
    job = write_job(tmp_path, Circuit("Rooms", tuple(p.name for p in busy().points)))
    text = "".join(outline(render_report(job, [], known(busy()))).text)
    assert "! Poor connections" in text
    assert "! high resistance on the neutral side" in text
