"""What would be right at a place of a file, in words, from the types that the file is read into."""

from collections.abc import Iterator
from typing import Any

from msgspec import inspect

# What the pattern of names (`shared.requests`) takes.
NAME_WORDS = "1 to 40 of letters, digits, '-', '_' and '.'"
RIGHT = "right"
"""Under this key a type's metadata (`msgspec.Meta`'s ``extra``) has words of its own for what it takes."""


def type_at(type_: Any, path: str) -> inspect.Type | None:
    """The type where a msgspec error path such as ``$.step[2].kind`` points; None where it leads nowhere.

    Args:
        type_: of the whole.
        path: of the error.
    """
    here: Any = inspect.type_info(type_)
    for part in path.lstrip("$").replace("[", ".[").split("."):
        if not part:
            continue
        within = next((each for each in _members(here) if _inside(each, part) is not None), None)
        if within is None:
            return None
        here = _inside(within, part)
    found: inspect.Type = here
    return found


def _bare(here: Any) -> Any:
    """Without the description around it."""
    return here.type if isinstance(here, inspect.Metadata) else here


def _members(here: Any) -> Iterator[Any]:
    """The types of a choice of types, without nothing at all, and without what is said of them."""
    return map(_bare, _choices(here))


def _choices(here: Any) -> Iterator[Any]:
    bare = _bare(here)
    for each in bare.types if isinstance(bare, inspect.UnionType) else (here,):
        if not isinstance(each, inspect.NoneType):
            yield each


def _inside(here: Any, part: str) -> Any:
    if isinstance(here, inspect.StructType):
        return next((field.type for field in here.fields if field.encode_name == part), None)
    return getattr(here, "item_type", None) if part.startswith("[") else None


def fields_of(found: inspect.Type | None) -> tuple[str, ...]:
    """The keys of a table; none where it is something else."""
    structs = [each for each in _members(found) if isinstance(each, inspect.StructType)]
    return tuple(field.encode_name for struct in structs for field in struct.fields)


def wanted(found: inspect.Type | None, *, quotes: bool = True) -> str | None:
    """What a type takes, as words that follow "not"; None where there are no words for it.

    Args:
        found: the type.
        quotes: text is written in quotes there, as in TOML.
    """
    words = [_own_words(each) or _words(_bare(each), quotes) for each in _choices(found)]
    return " or ".join(word for word in words if word) or None


def _own_words(here: Any) -> str | None:
    said = here.extra if isinstance(here, inspect.Metadata) else None
    return None if said is None else said.get(RIGHT)


def _words(here: Any, quotes: bool) -> str | None:
    if isinstance(here, inspect.IntType):
        return f"a whole number{_range(here)}"
    if isinstance(here, inspect.FloatType):
        return f"a number{_range(here)}"
    if isinstance(here, inspect.BoolType):
        return "true or false"
    if isinstance(here, inspect.LiteralType):
        return f"one of {', '.join(map(repr, here.values))}"
    if isinstance(here, inspect.StrType) and here.pattern is None:
        return f"text{' in quotes' if quotes else ''}{_lengths(here, 'characters')}"
    if isinstance(here, inspect.CollectionType):
        return f"a list in square brackets{_lengths(here, 'entries')}"
    if isinstance(here, inspect.StructType | inspect.DictType):
        return "a table of its own with keys and values"
    return None


def _range(here: Any) -> str:
    low = f"above {here.gt:g}" if here.gt is not None else f"{here.ge:g}" if here.ge is not None else None
    high = f"below {here.lt:g}" if here.lt is not None else f"{here.le:g}" if here.le is not None else None
    if low is not None and high is not None:
        return f" {low} and at most {high}" if here.gt is not None else f" from {low} to {high}"
    if low is not None:
        return f" {low}" if here.gt is not None else f" of at least {low}"
    if high is not None:
        return f" {high}" if here.lt is not None else f" of at most {high}"
    return ""


def _lengths(here: Any, what: str) -> str:
    low, high = here.min_length, here.max_length
    if low and high is not None:
        return f" of {low} to {high} {what}"
    if low:
        return f" of at least {low} {what}" if low > 1 else " that is not empty"
    return f" of at most {high} {what}" if high is not None else ""
