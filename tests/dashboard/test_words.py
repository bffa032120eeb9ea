"""Words for durations, moments and events."""

import msgspec
import pytest

from dashboard.words import clock_text, duration_text, event_text, moment_text
from shared.events import EVENT_TYPES, kind_of

SAMPLES = {
    "station": "bench-1",
    "version": "1",
    "sheet": "s",
    "wall": "w",
    "unit": "U-1",
    "model": "M",
    "outcome": "done",
    "step": "solder",
    "attempt": 2,
    "reasons": ["no-unit"],
    "alarm": "plate-high",
    "result": "pass",
    "reason": "gap",
    "request": "start",
    "priority": "low",
    "minutes": 5.0,
    "channel": "plate",
    "digest": "d",
    "period": "2026-03",
    "head": "h",
    "lines": 3,
    "by": "S-1",
    "stream": "events",
    "first": "b/1",
    "last": "b/2",
    "passed": False,
    "verdicts": {"cradle": "failed", "plate-reading": "passed"},
    "wires": "w",
}


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (-1, "0 s"),
        (0, "0 s"),
        (59.9, "59 s"),
        (60, "1 min 00 s"),
        (252, "4 min 12 s"),
        (11_100, "3 h 05 min"),
    ],
)
def test_duration_text(seconds, text):
    """Durations read as in a sentence and are never rounded up."""
    assert duration_text(seconds) == text


@pytest.mark.parametrize(
    ("seconds", "text"), [(0, "0:00"), (299.99, "4:59"), (3600, "1:00:00"), (83_100, "23:05:00")]
)
def test_clock_text(seconds, text):
    """Clocks read as on a dial."""
    assert clock_text(seconds) == text


@pytest.mark.parametrize("at", [None, "", "yesterday", "2026-13-01T00:00:00Z"])
def test_moment_without_a_time_says_so(at):
    """A time that is not known is never made up."""
    assert moment_text(at) == "time unknown"


@pytest.mark.parametrize("kind", EVENT_TYPES, ids=lambda kind: kind.__struct_config__.tag)
def test_every_event_has_words_of_its_own(kind):
    """Each kind of event is told by a sentence that is more than its code."""
    names = [field.encode_name for field in msgspec.structs.fields(kind)]
    given = {name: SAMPLES[name] for name in names if name in SAMPLES}
    body = msgspec.convert({"kind": kind.__struct_config__.tag} | given, kind)
    text = event_text(body)
    assert text[0].isupper()
    assert text.lower() != kind_of(body).replace("-", " ")
    assert "None" not in text
    assert "[" not in text


def test_what_a_person_wrote_is_not_changed():
    """A free reason keeps its letters."""
    kinds = {kind.__struct_config__.tag: kind for kind in EVENT_TYPES}
    body = kinds["step-abandoned"](unit="U-1", step="solder", reason="LCD-flex torn")
    assert event_text(body) == "Step solder was given up on U-1: LCD-flex torn"
