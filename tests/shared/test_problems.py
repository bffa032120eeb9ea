"""Messages about wrong input: file, place, offending value, what would be right."""

from pathlib import Path
from typing import Annotated, Any

import msgspec
import pytest

from shared.problems import (
    BenchwardError,
    FailureError,
    InputError,
    convert_checked,
    plainly,
    unreadable,
    value_at,
)


class Inner(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Something nested."""

    size: Annotated[int, msgspec.Meta(ge=1, le=9)] = 1


class Outer(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Something with a list and a part."""

    name: str
    inner: Inner = Inner()
    many: tuple[Inner, ...] = ()


@pytest.mark.parametrize(
    ("data", "message"),
    [
        ({}, "f.toml: top level: 'name' is missing."),
        ({"name": 3}, "f.toml: name is 3, not text in quotes."),
        (
            {"name": "a", "inner": {"size": 10}},
            "f.toml: inner.size is 10, not a whole number from 1 to 9.",
        ),
        (
            {"name": "a", "many": [{}, {"size": 0}]},
            "f.toml: many 2: size is 0, not a whole number from 1 to 9.",
        ),
        (
            {"name": "a", "inner": {"size": "9"}},
            "f.toml: inner.size is '9', not a whole number from 1 to 9 (leave the quotes out).",
        ),
        (
            {"name": "a", "inner": {"size": True}},
            "f.toml: inner.size is true, not a whole number from 1 to 9.",
        ),
        (
            {"name": "a", "inner": {"siez": 1}},
            "f.toml: inner: 'siez' is not known here. Did you mean 'size'? Choose from 'size'.",
        ),
        (
            {"name": "a", "inner": {"colour": 1}},
            "f.toml: inner: 'colour' is not known here. Choose from 'size'.",
        ),
        (
            {"name": "a", "inner": [1]},
            "f.toml: inner is a list, not a table of its own with keys and values.",
        ),
        ({"name": "a", "many": 5}, "f.toml: many is 5, not a list in square brackets."),
    ],
)
def test_message_names_file_key_and_value_when_data_does_not_fit(data: Any, message: str) -> None:
    """Exactly one line: the file, the key's path, the value where it is short, and what was expected."""
    with pytest.raises(InputError) as refused:
        convert_checked(data, Outer, Path("f.toml"))
    assert str(refused.value) == message


def test_data_is_converted_when_it_fits() -> None:
    """Good data becomes the struct."""
    assert convert_checked({"name": "a", "many": [{"size": 2}]}, Outer, "f") == Outer(
        "a", Inner(), (Inner(2),)
    )


def test_text_counts_as_a_number_only_when_not_strict() -> None:
    """A program's text fields may hold numbers; a file's may not."""
    assert convert_checked({"size": "9"}, Inner, "f", strict=False) == Inner(9)
    with pytest.raises(InputError, match="size is '9'"):
        convert_checked({"size": "9"}, Inner, "f")


@pytest.mark.parametrize(
    ("path", "value"),
    [("$", {"a": [{"b": 7}]}), ("$.a[0].b", 7), ("$.a[1].b", None), ("$.x.y", None), ("$.a[...].b", None)],
)
def test_value_is_found_at_its_path_when_it_is_there(path: str, value: Any) -> None:
    """A path leads to its value; a path that leads nowhere gives None instead of another error."""
    assert value_at({"a": [{"b": 7}]}, path) == value


def test_errors_share_one_root_when_caught() -> None:
    """Both kinds of error are ours, and neither is the other."""
    assert issubclass(InputError, BenchwardError)
    assert issubclass(FailureError, BenchwardError)
    assert not issubclass(InputError, FailureError)
    assert not issubclass(FailureError, InputError)


@pytest.mark.parametrize(
    ("message", "words"),
    [
        ("Expected `int`, got `str` - at `$.ml`", "Expected a whole number, got text (at ml)"),
        ("Expected `str | null`, got `int`", "Expected text, got a whole number"),
        ("Expected `float` <= 20.0 - at `$.ml`", "Expected a number of at most 20.0 (at ml)"),
        ("Object missing required field `unit`", "'unit' is missing"),
        ("Object contains unknown field `x` - at `$.a`", "'x' is not known (at a)"),
    ],
)
def test_message_of_the_library_is_put_into_words(message: str, words: str) -> None:
    """Whoever sends a request reads nouns, not the types of a programming language."""
    assert plainly(message) == words


def test_file_that_cannot_be_read_is_told_in_words(tmp_path: Path) -> None:
    """No numbers of the operating system; the place where text ends being text."""
    odd = tmp_path / "odd"
    odd.write_bytes(b"ab\xff")
    told = []
    for path in (odd, tmp_path / "none", tmp_path):
        try:
            path.read_text("utf-8")
        except (OSError, UnicodeDecodeError) as error:
            told.append(str(unreadable("f", error)))
    assert told == [
        "f: cannot be read: it is not text in UTF-8 (byte 3 is 0xff).",
        "f: cannot be read: there is no such file.",
        "f: cannot be read: it is a folder, not a file.",
    ]
    assert str(unreadable("f", PermissionError(13, "x"))) == "f: cannot be read: this user may not read it."
