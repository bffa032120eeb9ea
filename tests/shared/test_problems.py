"""Messages about wrong input: file, place, offending value, what would be right."""

from pathlib import Path
from typing import Annotated, Any

import msgspec
import pytest

from shared.problems import BenchwardError, FailureError, InputError, convert_checked, value_at


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
        ({}, "f.toml: top level: Object missing required field `name`."),
        ({"name": 3}, "f.toml: name is 3: Expected `str`, got `int`."),
        ({"name": "a", "inner": {"size": 10}}, "f.toml: inner.size is 10: Expected `int` <= 9."),
        ({"name": "a", "many": [{}, {"size": 0}]}, "f.toml: many 2: size is 0: Expected `int` >= 1."),
        ({"name": "a", "inner": {"size": "9"}}, "f.toml: inner.size is '9': Expected `int`, got `str`."),
        (
            {"name": "a", "inner": {"colour": 1}},
            "f.toml: inner: Object contains unknown field `colour`; choose from 'size'.",
        ),
        ({"name": "a", "inner": [1]}, "f.toml: inner: Expected `object`, got `array`."),
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
