"""Which limits and which sheet a command goes by."""

from pathlib import Path

from shared.sheet import default_sheet, load_sheet
from station.rules.tick import Book
from station.settings import Settings


def book_for(settings: Settings, sheet: Path | None = None) -> Book:
    """The limits and the sheet to go by: the one named, else the settings' one, else the default.

    Raises:
        InputError: the sheet is wrong or cannot be read.
    """
    named = sheet or (Path(settings.station.sheet) if settings.station.sheet else None)
    return Book(settings.limits, load_sheet(named) if named else default_sheet())
