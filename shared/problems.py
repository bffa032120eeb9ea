"""Errors of ours, told apart by who must act.

BenchwardError
├── InputError     what somebody wrote is wrong: file, place, offending value, what would be right (exit 2)
└── FailureError   the operation could not be done or found a fault (exit 1)
    └── DamagedError   a database does not hold together
"""

import difflib
import re
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from shared.wanted import NAME_WORDS, fields_of, type_at, wanted

T = TypeVar("T")
# People count from one: step[0].kind is "step 1: kind".
_NAME_PATTERN = re.compile(r"`str` matching regex '.*?A-Za-z0-9.*?'")
_INDEX = re.compile(r"\[(\d+)\]\.?")
_UNKNOWN = re.compile(r"Object contains unknown field `(.*)`")
_MISSING = re.compile(r"Object missing required field `(.*)`")
_NOUNS = {
    "int": "a whole number", "float": "a number", "str": "text", "bool": "true or false", "null": "nothing",
    "object": "a table", "array": "a list",
}  # fmt: skip
_LENGTH = re.compile(r" of length (<=|>=) (\d+)")
_TYPES = re.compile(r"`([a-z |]+)`")


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
        told = misfit(error, data, type_, whole="top level", quotes=True)
        raise InputError(f"{file}: {told}.") from error


def misfit(error: msgspec.ValidationError, data: Any, type_: Any, *, whole: str, quotes: bool) -> str:
    """What does not fit a type: the key, the offending value, and what would be right.

    Args:
        error: as msgspec told it.
        data: what was converted.
        type_: what it should be.
        whole: what to call the whole, where it is at fault and no key of it; may be empty.
        quotes: text is written in quotes there, as in TOML.
    """
    message, _, path = str(error).partition(" - at `")
    path = path.rstrip("`") or "$"
    if path.startswith("key"):  # "key` in `$.findings"
        return f"a name in {path.rpartition('$.')[2]} does not fit: {plainly(message)}"
    counted = _INDEX.sub(lambda found: f" {int(found[1]) + 1}: ", path.lstrip("$."))
    key = counted.strip(": ") or whole
    return f"{key}{_wrong(message, value_at(data, path), type_at(type_, path), quotes)}".removeprefix(": ")


def _wrong(message: str, found: Any, here: Any, quotes: bool) -> str:
    """What is wrong there and what would be right; goes on after the key."""
    unknown, missing = _UNKNOWN.fullmatch(message), _MISSING.fullmatch(message)
    if unknown:
        known = fields_of(here)
        near = difflib.get_close_matches(unknown[1], known, 1)
        hint = f" Did you mean {near[0]!r}?" if near else ""
        choice = f" Choose from {', '.join(map(repr, known))}" if known else ""
        return f": {unknown[1]!r} is not known here.{hint}{choice}"
    if missing:
        return f": {missing[1]!r} is missing"
    right = wanted(here, quotes=quotes)
    if right is None:
        return f" is {shown(found)}: {plainly(message)}"
    bare = quotes and isinstance(found, str) and "number" in right and _is_number(found)
    return f" is {shown(found)}, not {right}{' (leave the quotes out)' if bare else ''}"


# Of a value that somebody wrote: enough to know it again, and what would be right still follows.
LONGEST_SHOWN = 80


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def shown(value: Any) -> str:
    """A value as whoever wrote it would know it again."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict | list):
        kind = "table" if isinstance(value, dict) else "list"
        return f"a {kind}" if value else f"an empty {kind}"
    text = repr(value)
    return text if len(text) <= LONGEST_SHOWN else f"{text[: LONGEST_SHOWN - 1]}…"


def plainly(message: str) -> str:
    """A msgspec message in words: no names of a programming language's types, no patterns."""
    said, _, path = message.partition(" - at `")
    where = f" (at {path.rstrip('`').lstrip('$.')})" if path.rstrip("`").lstrip("$.") else ""
    for pattern, words in ((_UNKNOWN, "{!r} is not known"), (_MISSING, "{!r} is missing")):
        found = pattern.fullmatch(said)
        if found:
            return words.format(found[1]) + where
    said = _NAME_PATTERN.sub(NAME_WORDS, said)
    said = _TYPES.sub(lambda found: _nouns(found[1]), said)
    said = _LENGTH.sub(r" \1 \2 long", said)
    for sign, words in (
        (" <= ", " of at most "),
        (" >= ", " of at least "),
        (" > ", " above "),
        (" < ", " below "),
    ):
        said = said.replace(sign, words)
    return said + where


def _nouns(types: str) -> str:
    """One type of a message or several, in words."""
    return " or ".join(_NOUNS.get(each, each) for each in types.split(" | ") if each != "null") or "nothing"


def unreadable(path: Path | str, error: OSError | UnicodeDecodeError) -> InputError:
    """Why a file that somebody named cannot be read, in words."""
    if isinstance(error, UnicodeDecodeError):
        why = f"it is not text in UTF-8 (byte {error.start + 1} is {error.object[error.start]:#04x})"
    elif isinstance(error, FileNotFoundError):
        why = "there is no such file"
    elif isinstance(error, IsADirectoryError):
        why = "it is a folder, not a file"
    elif isinstance(error, PermissionError):
        why = "this user may not read it"
    else:
        why = str(error.strerror or error)
    return InputError(f"{path}: cannot be read: {why}.")
