"""What would be right, in words: every setting and every key of a sheet has them."""

from collections.abc import Iterator
from typing import Any

import pytest
from msgspec import inspect

from shared.sheet import Sheet
from shared.wanted import fields_of, type_at, wanted
from station.settings import Settings


def paths(found: Any, path: str = "$") -> Iterator[str]:
    """The path of every key below a struct, the entries of lists included."""
    for key in fields_of(found):
        below = type_at(Settings if path.startswith("$S") else Sheet, f"{path}.{key}".replace("$S", "$"))
        yield f"{path}.{key}".replace("$S", "$")
        yield from paths(below, f"{path}.{key}")
        if isinstance(below, inspect.CollectionType) and isinstance(below.item_type, inspect.StructType):
            yield from paths(below.item_type, f"{path}.{key}[0]")


@pytest.mark.parametrize(("whole", "mark", "least"), [(Settings, "$S", 60), (Sheet, "$", 12)])
def test_every_key_has_words_for_what_it_takes(whole: type, mark: str, least: int) -> None:
    """A new type among the settings without words would fall back to the library's own message."""
    found = list(paths(inspect.type_info(whole), mark))
    assert len(found) >= least
    assert not [path for path in found if wanted(type_at(whole, path)) is None]


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("$.station.metrics_port", "a whole number from 0 to 65535"),
        ("$.station.tick_s", "a number from 0.02 to 0.2"),
        ("$.station.sheet", "text in quotes"),
        ("$.station.id", "1 to 40 of letters, digits, '-', '_' and '.'"),
        ("$.station.clock", "one of 'synchronised', 'trusted'"),
        ("$.wires.extraction.mains_hz", "one of 50, 60"),
        ("$.limits.alarms.authorisers", "a list in square brackets"),
        ("$.wires", "a table of its own with keys and values"),
        ("$.nowhere.at.all", None),
    ],
)
def test_words_follow_the_type(path: str, words: str | None) -> None:
    """Ranges, choices and kinds as the settings declare them; an optional one without "nothing"."""
    here = type_at(Settings, path)
    assert (None if here is None else wanted(here)) == words


def test_ranges_open_at_one_end_are_told_so() -> None:
    """A sheet's minutes lie above nought; its setpoint has both ends."""
    assert wanted(type_at(Sheet, "$.step[0].soak_min")) == "a number above 0 and at most 1440"
    assert wanted(type_at(Sheet, "$.step[0].setpoint_c")) == "a number from 20 to 125"
    assert wanted(type_at(Sheet, "$.step")) == "a list in square brackets that is not empty"
