"""Contrast of everything that is read, by the formula of WCAG 2.1, success criterion 1.4.3."""

import re
from importlib.resources import files

import pytest

from meterlink.show import map_svg as svg

LEAST_TEXT, LEAST_GRAPHIC = 4.5, 3.0  # WCAG 2.1, 1.4.3 and 1.4.11


def luminance(colour: str) -> float:
    digits = colour.removeprefix("#")
    if len(digits) == 3:
        digits = "".join(2 * digit for digit in digits)
    parts = [int(digits[k : k + 2], 16) / 255 for k in (0, 2, 4)]
    linear = [c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_formula_gives_the_standard_s_extremes() -> None:
    assert contrast("#000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#fff") == pytest.approx(4.48, abs=0.01)


@pytest.mark.parametrize("name", ["INK", "FAINT", "ALERT", "ACCENT"])
def test_words_in_pictures_can_be_read(name: str) -> None:
    assert contrast(getattr(svg, name), svg.PAPER) >= LEAST_TEXT


def test_lines_in_pictures_can_be_seen() -> None:
    assert contrast(svg.RULE, svg.PAPER) >= LEAST_GRAPHIC


def test_every_text_colour_of_the_report_can_be_read_on_both_its_grounds() -> None:
    style = (files("meterlink.show") / "templates" / "report.css").read_text(encoding="utf-8")
    colours = re.findall(r"[{; ]color: (#\w+)", style)
    grounds = re.findall(r"background: (#\w+)", style)
    assert len(colours) >= 4
    for ground in grounds:
        assert min(contrast(colour, ground) for colour in colours) >= LEAST_TEXT
