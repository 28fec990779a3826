import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meterlink.show.format import clean, display_width, in_ascii, isolated, pad, pad_left, wrap

# Widths of Unicode Standard Annex #11; the emoji sequence counts as not joined, which is the most
# that any terminal takes.
WIDTHS = {
    "": 0,
    "Desk": 4,
    "台所": 4,
    "é": 1,
    "e\u0301": 1,
    "🔌": 2,
    "❤\ufe0f": 2,
    "👩\u200d🔧": 4,
    "مطبخ": 4,
    "\u2068مطبخ\u2069": 4,
    "ﾃﾞ": 2,
    "Ａ": 2,
}


@pytest.mark.parametrize(("text", "cells"), WIDTHS.items())
def test_width_counts_the_cells_that_a_terminal_takes(text: str, cells: int) -> None:
    assert display_width(text) == cells


@pytest.mark.parametrize(
    "rude",
    ["\x1b[2J", "\x07", "\r", "\n", "\t", "\x9b", "\u202e", "\u2066", "\u2028", "\x00", "\ue000"],
)
def test_what_commands_a_terminal_is_replaced_and_seen_to_be_there(rude: str) -> None:
    shown = clean(f"Des{rude}k")
    assert shown.startswith("Des\ufffd")
    assert shown.endswith("k")
    assert not set(rude[:1]) & set(shown)


@given(st.text())
@settings(max_examples=200)
def test_clean_text_stays_as_it_is_when_cleaned_again(text: str) -> None:
    assert clean(clean(text)) == clean(text)
    assert (
        clean(text).isprintable()
        or any(char in clean(text) for char in "\u200c\u200d")
        or any(char.isspace() for char in clean(text))
    )


@given(st.text(), st.integers(2, 40))
@settings(max_examples=300)
def test_wrapped_lines_fit_and_lose_nothing_but_blanks(text: str, width: int) -> None:
    text = clean(text)
    lines = wrap(text, width)
    assert all(display_width(line) <= width for line in lines)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")


def test_a_break_never_parts_a_mark_from_its_letter() -> None:
    assert wrap("abce\u0301f", 4) == ["abce\u0301", "f"]


def test_a_sign_that_becomes_wide_moves_to_the_next_line_with_its_widener() -> None:
    assert wrap("ab❤\ufe0f", 3) == ["ab", "❤\ufe0f"]


def test_a_line_too_narrow_for_one_wide_character_is_refused() -> None:
    with pytest.raises(ValueError, match="at least 2"):
        wrap("台", 1)


def test_only_right_to_left_text_is_isolated() -> None:
    assert isolated("Desk") == "Desk"
    assert isolated("مطبخ") == "\u2068مطبخ\u2069"


@given(st.text())
@settings(max_examples=100)
def test_ascii_spelling_is_ascii(text: str) -> None:
    assert in_ascii(clean(text)).isascii()


def test_signs_of_the_trade_are_spelled_out_in_ascii() -> None:
    assert in_ascii("36.3 ± 0.9\u00a0mΩ, \u2068מטבח\u2069") == (
        "36.3 +/- 0.9 mohm, \\u05de\\u05d8\\u05d1\\u05d7"
    )


def test_padding_counts_cells_not_characters() -> None:
    assert pad("台", 4) == "台  "
    assert pad_left("台", 4) == "  台"
    assert pad("Desk", 2) == "Desk"
