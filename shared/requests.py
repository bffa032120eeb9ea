"""What a person or a program may ask of a station; parse and print.

A request is text, ``verb key=value …`` quoted as in a shell, or the same as a JSON object with the key
``verb``. Nothing here decides whether a request is carried out; a request that cannot be read is a value too
(`Unreadable`), because it is refused and recorded like any other.
"""

import re
import shlex
from collections.abc import Mapping
from typing import Annotated, Any, Literal, TypeAlias, get_args

import msgspec

from shared.problems import misfit, shown
from shared.wanted import NAME_WORDS, RIGHT

# The look-ahead keeps `$` from stopping before a line end.
IDENTIFIER = r"^[A-Za-z0-9_.\-]{1,40}(?!\n)$"
Identifier: TypeAlias = Annotated[str, msgspec.Meta(pattern=IDENTIFIER, extra={RIGHT: NAME_WORDS})]
LONGEST = 4096
Text: TypeAlias = Annotated[str, msgspec.Meta(min_length=1, max_length=200)]


class Request(
    msgspec.Struct,
    frozen=True,
    kw_only=True,
    omit_defaults=True,
    tag_field="verb",
    forbid_unknown_fields=True,
):
    """What every request has in common.

    ``by``: who asks, where that is not the technician signed in at the bench (a lead in the office, a
    program). It is recorded with what comes of the request, and signs nobody in.
    """

    by: Identifier | None = None


class SignIn(Request, frozen=True, kw_only=True, tag="sign-in"):
    """A technician takes the bench."""

    technician: Identifier


class SignOut(Request, frozen=True, kw_only=True, tag="sign-out"):
    """The technician leaves the bench."""


class BookIn(Request, frozen=True, kw_only=True, tag="book-in"):
    """Enter a new unit and take it in hand."""

    unit: Identifier
    model: Identifier
    job: Identifier | None = None


class Take(Request, frozen=True, kw_only=True, tag="take"):
    """Take a known unit in hand."""

    unit: Identifier


class Place(Request, frozen=True, kw_only=True, tag="place"):
    """Lay a unit on the plate; without ``unit`` the one in hand."""

    unit: Identifier | None = None


class Remove(Request, frozen=True, kw_only=True, tag="remove"):
    """Take a unit off the plate; without ``unit`` the one that lies there."""

    unit: Identifier | None = None


class Start(Request, frozen=True, kw_only=True, tag="start"):
    """Start a step of the sheet; without ``unit`` on the one in hand."""

    step: Identifier
    unit: Identifier | None = None


class Finish(Request, frozen=True, kw_only=True, tag="finish", forbid_unknown_fields=True):
    """Finish a running step of the unit in hand; any other key is a finding.

    ``unit``: only to make sure of it; another one than that in hand is refused.
    """

    step: Identifier
    result: Literal["pass", "fail"]
    unit: Identifier | None = None
    findings: dict[Identifier, Text] = {}


class Resume(Request, frozen=True, kw_only=True, tag="resume"):
    """Go on with a held step."""


class Abandon(Request, frozen=True, kw_only=True, tag="abandon"):
    """Give up the running or held step."""

    reason: Text


class Ack(Request, frozen=True, kw_only=True, tag="ack"):
    """Acknowledge an alarm; without ``alarm`` all that wait for it."""

    alarm: Identifier | None = None


class Silence(Request, frozen=True, kw_only=True, tag="silence"):
    """Stop the sound until the next alarm; acknowledges nothing."""


class Reset(Request, frozen=True, kw_only=True, tag="reset"):
    """Reset a latched alarm whose cause is gone; without ``alarm`` all such."""

    alarm: Identifier | None = None


class Shelve(Request, frozen=True, kw_only=True, tag="shelve"):
    """Put an alarm aside for a limited time."""

    alarm: Identifier
    minutes: Annotated[float, msgspec.Meta(gt=0, le=480)]
    reason: Text


class Unshelve(Request, frozen=True, kw_only=True, tag="unshelve"):
    """Let a shelved alarm count again."""

    alarm: Identifier


class OutOfService(Request, frozen=True, kw_only=True, tag="out-of-service"):
    """Take an alarm out of service; ``by``: who authorises it, one of those whom the settings name."""

    alarm: Identifier
    by: Identifier
    reason: Text


class InService(Request, frozen=True, kw_only=True, tag="in-service"):
    """Put an alarm back into service; ``by`` as for taking it out."""

    alarm: Identifier
    by: Identifier


class LampTest(Request, frozen=True, kw_only=True, tag="lamp-test"):
    """Light every lamp and sound the buzzer for a few seconds."""


class ShiftCheck(Request, frozen=True, kw_only=True, tag="shift-check"):
    """Record what a technician found before the shift; ``verdicts``: ``lamps=passed,buzzer=failed,…``."""

    by: Identifier
    verdicts: Annotated[
        str,
        msgspec.Meta(
            max_length=400,
            pattern=r"^[a-z-]{1,40}=(passed|failed|skipped)(,[a-z-]{1,40}=(passed|failed|skipped))*(?!\n)$",
            extra={RIGHT: "checks and verdicts, such as lamps=passed,buzzer=failed"},
        ),
    ]


class SignReview(Request, frozen=True, kw_only=True, tag="sign-review"):
    """Sign a review of a period; ``head``: of the chain as it stood, ``by``: who signs."""

    period: Annotated[
        str,
        msgspec.Meta(
            pattern=r"^\d{4}-\d\d-\d\d/\d{4}-\d\d-\d\d(?!\n)$",
            extra={RIGHT: "two days, such as 2026-03-02/2026-03-08"},
        ),
    ]
    head: Annotated[str, msgspec.Meta(pattern=r"^[0-9a-f]{64}(?!\n)$", extra={RIGHT: "64 of 0-9 and a-f"})]
    by: Identifier


class Dispense(Request, frozen=True, kw_only=True, tag="dispense"):
    """Say how much solvent was drawn just now; a lift has counted as one dose already."""

    ml: Annotated[float, msgspec.Meta(gt=0, le=1000)]


class Close(Request, frozen=True, kw_only=True, tag="close"):
    """Be done with a unit."""

    unit: Identifier
    outcome: Text
    reason: Text | None = None


AnyRequest: TypeAlias = (
    SignIn
    | SignOut
    | BookIn
    | Take
    | Place
    | Remove
    | Start
    | Finish
    | Resume
    | Abandon
    | Ack
    | Silence
    | Reset
    | Shelve
    | Unshelve
    | OutOfService
    | InService
    | LampTest
    | ShiftCheck
    | SignReview
    | Dispense
    | Close
)
OFFICE_ONLY = (OutOfService, InService, ShiftCheck, SignReview)
"""What somebody answers for with their name: taken only from the pages, or from the station itself."""
_KINDS = {str(kind.__struct_config__.tag): kind for kind in get_args(AnyRequest)}
VERBS = tuple(_KINDS)


class Unreadable(msgspec.Struct, frozen=True):
    """A request that could not be read: its text (cut to 200 characters), a reason code and what is wrong."""

    text: str
    reason: Literal["unknown-request", "malformed-request"]
    detail: str


class Barred(msgspec.Struct, frozen=True):
    """A request with reasons against it that lie outside the bench: whence it came, or what is on record."""

    request: AnyRequest
    reasons: tuple[str, ...]


Asked: TypeAlias = AnyRequest | Unreadable | Barred
"""What the rules are given to carry out or to refuse."""


def parse_text(text: str) -> AnyRequest | Unreadable:
    """Read a request written as ``verb key=value …``; never raises."""
    if len(text) > LONGEST:
        return _unreadable(text, "malformed-request", f"longer than {LONGEST} characters")
    try:
        words = shlex.split(text)
    except ValueError as error:
        return _unreadable(text, "malformed-request", f"{error}; close the quotes")
    if not words:
        return _unreadable(text, "malformed-request", "empty; write a verb, e.g. ack")
    if words[0] not in VERBS:
        return _build(words[0], {}, text)
    fields: dict[str, Any] = {}
    for word in words[1:]:
        key, equals, value = word.partition("=")
        if not equals or not key or key in fields or key == "verb":
            why = "stands twice" if key in fields and equals else "is not key=value"
            return _unreadable(text, "malformed-request", f"{word!r} {why}")
        fields[key] = value
    return _build(words[0], fields, text)


def parse_json(data: bytes | str) -> AnyRequest | Unreadable:
    """Read a request written as a JSON object with the key ``verb``; never raises."""
    shown = data.decode("utf-8", "replace") if isinstance(data, bytes) else data
    try:
        fields = msgspec.json.decode(data)
    except (msgspec.DecodeError, UnicodeError, RecursionError) as error:
        return _unreadable(shown, "malformed-request", f"not JSON: {error}")
    if not isinstance(fields, dict) or not isinstance(fields.get("verb"), str):
        return _unreadable(shown, "malformed-request", 'not an object with "verb", e.g. {"verb": "ack"}')
    return _build(fields.pop("verb"), fields, shown)


def _unreadable(
    text: str, reason: Literal["unknown-request", "malformed-request"], detail: str
) -> Unreadable:
    """The text, and what is wrong with it, as they can be recorded: cut, and without half characters."""
    return Unreadable(_recordable(text, 200), reason, _recordable(detail, 500))


def _recordable(text: str, longest: int) -> str:
    return text[:longest].encode("utf-8", "replace").decode("utf-8")


_OWN_TO_FINISH = frozenset({"verb", "step", "result", "unit", "by"})


def _build(verb: str, fields: Mapping[str, Any], text: str) -> AnyRequest | Unreadable:
    if verb not in VERBS:
        return _unreadable(text, "unknown-request", f"{shown(verb)} is none of {', '.join(VERBS)}")
    whole: dict[str, Any] = {"verb": verb, **fields}
    try:
        if verb == "finish":
            whole = _with_findings(whole)
        request: AnyRequest = msgspec.convert(whole, AnyRequest, strict=False)
    except msgspec.ValidationError as error:
        detail = misfit(error, whole, _KINDS[verb], whole="", quotes=False)
        return _unreadable(text, "malformed-request", detail)
    except ValueError as error:
        return _unreadable(text, "malformed-request", str(error))
    return request


def _with_findings(whole: dict[str, Any]) -> dict[str, Any]:
    """A finish request with every key that is not its own gathered as a finding."""
    own = {key: value for key, value in whole.items() if key in _OWN_TO_FINISH}
    findings = {key: value for key, value in whole.items() if key not in _OWN_TO_FINISH}
    nested = findings.pop("findings", {})
    if not isinstance(nested, dict) or set(nested) & {*_OWN_TO_FINISH, *findings}:
        raise ValueError(f"findings is {nested!r}, not an object with keys of its own")
    told = {**nested, **findings}
    return {**own, "findings": {key: _plain(value) for key, value in told.items() if value is not None}}


def print_text(request: AnyRequest | Unreadable) -> str:
    """The request as text that `parse_text` reads back."""
    if isinstance(request, Unreadable):
        return request.text
    fields: dict[str, Any] = msgspec.to_builtins(request)
    verb = fields.pop("verb")
    by = fields.pop("by", None)
    fields |= fields.pop("findings", {})
    if by is not None:
        fields["by"] = by
    words = [f"{key}={_plain(value)}" for key, value in fields.items()]
    return shlex.join([verb, *words])


def _plain(value: Any) -> Any:
    """A number or a yes as the text that means the same; other values as they are."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return repr(value).removesuffix(".0")
    return value


def is_identifier(text: str) -> bool:
    """Whether the text may name a unit, a technician, a step or a station."""
    return re.fullmatch(IDENTIFIER, text) is not None
