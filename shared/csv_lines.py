"""Lines of CSV (RFC 4180) that a spreadsheet takes for text and numbers, never for a formula.

A cell that begins with =, +, -, @, a tab or a carriage return would be reckoned by some spreadsheets, with
whatever a stranger wrote into a unit's name or a finding. Such a cell gets an apostrophe in front, as OWASP
("CSV Injection") advises. A number stays a number: -3.5 is left as it is.
"""

import csv
import io
import re
from collections.abc import Iterable

_RISKY = re.compile(r"[=+\-@\t\r]")
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?", re.ASCII)


def harmless(cell: str) -> str:
    """The cell as it may stand in a spreadsheet."""
    if _RISKY.match(cell.lstrip(" ")) and _NUMBER.fullmatch(cell) is None:
        return f"'{cell}"
    return cell


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
