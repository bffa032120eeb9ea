"""Errors of ours, told apart by who must act.

BenchwardError
├── InputError     what somebody wrote is wrong: file, place, offending value, what would be right (exit 2)
└── FailureError   the operation could not be done or found a fault (exit 1)
    └── DamagedError   a database does not hold together
"""

import re
from pathlib import Path
from typing import Any, TypeVar

import msgspec
from msgspec import inspect

T = TypeVar("T")
# People count from one: step[0].kind is "step 1: kind".
_NAME_PATTERN = re.compile(r"`str` matching regex '.*?A-Za-z0-9.*?'")
_INDEX = re.compile(r"\[(\d+)\]\.?")


class BenchwardError(Exception):
    """The root of the station's own errors."""


class InputError(BenchwardError):
    """Something written by a person or a program cannot be used as it is."""


class FailureError(BenchwardError):
    """The operation failed, or found a fault."""


class DamagedError(FailureError):
    """A station's database does not hold together; the message says how."""


def value_at(data: Any, path: str) -> Any:
    """The value a msgspec error path such as ``$.step[2].kind`` points at, or None."""
    for part in path.lstrip("$").replace("[", ".[").split("."):
        if not part:
            continue
        try:
            data = data[int(part[1:-1])] if part.startswith("[") else data[part]
        except (KeyError, IndexError, TypeError, ValueError):
            return None
    return data


def convert_checked(data: Any, type_: type[T], file: Path | str, *, strict: bool = True) -> T:
    """``msgspec.convert`` whose error names file, key, offending value and what would be right.

    Raises:
        InputError: the data does not fit the type.
    """
    try:
        return msgspec.convert(data, type_, strict=strict)
    except msgspec.ValidationError as error:
        message, _, path = str(error).partition(" - at `")
        path = path.rstrip("`") or "$"
        counted = _INDEX.sub(lambda found: f" {int(found[1]) + 1}: ", path.lstrip("$."))
        key = counted.strip(": ") or "top level"
        found = value_at(data, path)
        shown = "" if isinstance(found, dict | list) or found is None else f" is {found!r}"
        choices = choices_at(type_, path, fields=message.startswith("Object contains unknown field"))
        right = f"; choose from {', '.join(map(repr, choices))}" if choices else ""
        raise InputError(f"{file}: {key}{shown}: {plainly(message)}{right}.") from error


def plainly(message: str) -> str:
    """A msgspec message with its pattern for names in words."""
    return _NAME_PATTERN.sub("1 to 40 of letters, digits, '-', '_' and '.'", message)


def choices_at(type_: Any, path: str, *, fields: bool = False) -> tuple[Any, ...]:
    """The words to choose from where a msgspec error path points, if there is a choice of words.

    Args:
        type_: of the whole.
        path: of the error.
        fields: whether a struct's field names are the choice.
    """
    here: Any = inspect.type_info(type_)
    for part in path.lstrip("$").replace("[", ".[").split("."):
        if not part:
            continue
        if isinstance(here, inspect.StructType):
            here = next((field.type for field in here.fields if field.encode_name == part), None)
        else:
            here = getattr(here, "item_type", None)
        if isinstance(here, inspect.Metadata):
            here = here.type  # a description around the type
    if fields and isinstance(here, inspect.StructType):
        return tuple(field.encode_name for field in here.fields)
    return here.values if isinstance(here, inspect.LiteralType) else ()
