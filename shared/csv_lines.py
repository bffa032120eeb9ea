"""Lines of CSV (RFC 4180) that a spreadsheet takes for text and numbers, never for a formula.

A cell that begins with =, +, -, @, a tab, a carriage return or a line feed, or with the full-width form of
one of these signs, would be reckoned by some spreadsheets, with whatever a stranger wrote into a unit's name
or a finding. Such a cell gets an apostrophe in front, as OWASP ("CSV Injection") advises; so does one in
which white space or characters that nobody sees stand before the sign, for some programs drop them. A number
stays a number: -3.5 is left as it is.
"""

import csv
import io
import re
import unicodedata
from collections.abc import Iterable

_SIGNS = "=+-@＝＋－＠"
_STARTS = ("\t", "\r", "\n")
# Spaces and separators, control characters, and such as have no width (a byte order mark, a joiner).
_UNSEEN = frozenset({"Zs", "Zl", "Zp", "Cc", "Cf"})
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)


def harmless(cell: str) -> str:
    """The cell as it may stand in a spreadsheet."""
    if cell.startswith(_STARTS) or _first_seen(cell) in _SIGNS:
        return cell if _NUMBER.fullmatch(cell) else f"'{cell}"
    return cell


def _first_seen(cell: str) -> str:
    """The first character that is seen; what is none of the signs where there is none."""
    return next((each for each in cell if unicodedata.category(each) not in _UNSEEN), " ")


def csv_text(rows: Iterable[Iterable[object]], end: str = "\r\n") -> str:
    """The rows as CSV; None is an empty cell.

    Args:
        rows: their cells; whatever is no text is written as Python prints it.
        end: what ends each line.
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator=end)
    for row in rows:
        writer.writerow(["" if cell is None else harmless(str(cell)) for cell in row])
    return buffer.getvalue()
