"""Cells that a spreadsheet would take for a formula, after OWASP's page "CSV Injection"."""

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.csv_lines import csv_text, harmless


@pytest.mark.parametrize(
    "cell",
    [
        "=1+1", '=HYPERLINK("http://x","y")', "+cmd", "-cmd", "@SUM(A1)", "\t=1", "\r=1", "-", "+", " =1",
        "-1+cmd|' /C calc'!A0", "=-5", "--5", "-5-5", "+1 234", "-\u0665",
        "\n=1+1", "\r\n=1", "\n", "\nnote", "\t", "\tnote", " \t\n =1", "\u00a0=1", "\u3000@x", "\v=1",
        "\f=1", "\ufeff=1", "\u200b=1", "\u2028+1", "\x01=1",
        "\uff1d1+1", "\uff0bcmd", "\uff0dcmd", "\uff20SUM(A1)", " \uff1d1", "\uff0d5", " -3.5", "-3.5\n",
    ],
)  # fmt: skip
def test_a_formula_becomes_text(cell):
    """The characters that OWASP names, at the beginning; what only begins like a number is none."""
    assert harmless(cell) == "'" + cell


@pytest.mark.parametrize(
    "cell",
    [
        "-3.5",
        "+2",
        "-0",
        "1e-3",
        "-1.5E+10",
        "-.5",
        "12",
        "",
        " ",
        "–",
        "U-1",
        "a=b",
        "{}",
        "a\n=b",
        " a",
        "\u3000",
    ],
)
def test_numbers_and_words_stay_as_they_are(cell):
    """A temperature below zero is a number still, and a unit's name is its name."""
    assert harmless(cell) == cell


@given(
    st.lists(
        st.lists(st.text(st.characters(codec="utf-8", exclude_characters="\x00")), min_size=1), max_size=5
    )
)
def test_whatever_is_written_is_read_back(rows):
    """With Python's own reader: each cell is there, with at most an apostrophe more."""
    read = list(csv.reader(io.StringIO(csv_text(rows), newline="")))
    assert read == [[harmless(cell) for cell in row] for row in rows if row]
    assert not [
        cell for row in read for cell in row if cell.lstrip()[:1] in ("=", "@", "＝", "＋", "－", "＠")
    ]
    assert not [cell for row in read for cell in row if cell[:1] in ("\t", "\r", "\n")]


def test_nothing_is_an_empty_cell_and_numbers_are_printed():
    """None, whole and broken numbers, each line ended as asked."""
    assert csv_text([(None, 3, -2.5)], end="\n") == ",3,-2.5\n"
