"""How well the alarms serve the people at the bench: rates, floods, chatter, stale ones, priorities, top ten.

The figures and their benchmarks are those that ISA-18.2 / IEC 62682 and EEMUA 191 give per operator position;
the numbers are from memory of these standards except the chattering rule (three in a minute), which secondary
pages give. A repair bench is a small plant: its alarms are few, and the figures are honest only over days.

Only time during which the station ran counts. Within a boot the monotonic clock tells time; nothing is
counted across boots. Windows are half open: an alarm exactly ten minutes after another is not in its window.
"""

from bisect import bisect_left
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, NamedTuple

from shared import events
from shared.alarm_lives import Life, lives
from shared.events import Event
from shared.timeline import Moment, rfc3339

TEN_MIN_MS = 600_000
HOUR_MS = 3_600_000
DAY_MS = 86_400_000
FLOOD_BEGINS, FLOOD_ENDS = 10, 5
CHATTER_COUNT, CHATTER_MS = 3, 60_000
# "Clears in seconds without action" is the published rule; ten seconds is our own choice of it.
FLEETING_MS = 10_000
STALE_MS = DAY_MS
# Below this nothing can be said of rates; our own choice: one shift.
ENOUGH_MS = 8 * HOUR_MS
# Below this many alarms no split by priority can be judged; our own choice.
ENOUGH_ALARMS = 20
TOP = 10


class Span(NamedTuple):
    """Time during which the station ran: a boot's monotonic milliseconds."""

    boot: str
    from_ms: int
    to_ms: int


class Flood(NamedTuple):
    """More alarms than anybody can handle, from the alarm that began it until they were few again."""

    boot: str
    from_ms: int
    to_ms: int
    alarms: int


class Figure(NamedTuple):
    """One figure beside its benchmark.

    ``value`` is None where there is nothing to reckon, or too little: a rate of some minutes is no rate.
    ``verdict``: ``within``, ``bearable`` (above what is acceptable, within what can still be managed),
    ``above``, ``below`` (a share that is to be larger), ``too short`` to judge, or ``not judged``.
    """

    name: str
    means: str
    value: float | None
    unit: str
    acceptable: float | None
    manageable: float | None
    verdict: str


class Share(NamedTuple):
    """One alarm's annunciations and their share of all."""

    alarm: str
    times: int
    share: float


class Performance(NamedTuple):
    """All figures over the time watched."""

    watched_ms: int
    alarms: int
    figures: tuple[Figure, ...]
    floods: tuple[Flood, ...]
    chattering: tuple[str, ...]
    stale: tuple[str, ...]
    top: tuple[Share, ...]

    def to_dict(self) -> dict[str, Any]:
        """The printed form."""
        return {
            "watched_h": round(self.watched_ms / HOUR_MS, 3),
            "alarms": self.alarms,
            "figures": [figure._asdict() for figure in self.figures],
            "floods": [
                {
                    "boot": flood.boot,
                    "from_s": flood.from_ms / 1000,
                    "to_s": flood.to_ms / 1000,
                    "alarms": flood.alarms,
                }
                for flood in self.floods
            ],
            "chattering": list(self.chattering),
            "stale": list(self.stale),
            "top": [share._asdict() for share in self.top],
        }


class _Run(NamedTuple):
    """One span with the times of its annunciations, sorted."""

    span: Span
    at_ms: list[int]


def performance(
    history: Iterable[tuple[int, Moment, Event]], spans: Sequence[Span] | None = None
) -> Performance:
    """The figures of a history.

    Args:
        history: (seq, moment, event), oldest first.
        spans: when the station ran, one span a boot; without them from each boot's first event to its last,
            which misses the quiet time after it.
    """
    told = list(history)
    if spans is None:
        spans = watched(moment for _, moment, _ in told)
    found = lives(told)
    runs = [
        _Run(span, sorted(life.raised.mono_ms for life in found if life.raised.boot == span.boot))
        for span in spans
    ]
    return _figures(runs, found, told)


def watched(moments: Iterable[Moment]) -> list[Span]:
    """The time each boot was recorded, from its first event to its last."""
    spans: dict[str, Span] = {}
    for moment in moments:
        known = spans.get(moment.boot, Span(moment.boot, moment.mono_ms, moment.mono_ms))
        spans[moment.boot] = Span(
            moment.boot, min(known.from_ms, moment.mono_ms), max(known.to_ms, moment.mono_ms)
        )
    return list(spans.values())


def busiest(at_ms: Sequence[int], width_ms: int) -> int:
    """The most annunciations in any window of that width; ``at_ms`` sorted."""
    return max((bisect_left(at_ms, at + width_ms) - i for i, at in enumerate(at_ms)), default=0)


def windows(runs: Iterable[tuple[Span, Sequence[int]]], width_ms: int) -> list[int]:
    """Annunciations in each whole window of a width that fits into the spans, from their starts."""
    counts: list[int] = []
    for span, at_ms in runs:
        whole = (span.to_ms - span.from_ms) // width_ms
        found = Counter((at - span.from_ms) // width_ms for at in at_ms)
        counts += [found[index] for index in range(whole)]
    return counts


def floods(span: Span, at_ms: Sequence[int]) -> list[Flood]:
    """Floods by the published rule: ten in ten minutes begin one, fewer than five in ten minutes end it.

    It begins with the alarm that makes ten, and ends as soon as the last ten minutes hold fewer than five, or
    with the record. ``at_ms`` is sorted.
    """
    found: list[Flood] = []
    begun: int | None = None
    for index, at in enumerate(at_ms):
        in_window = index + 1 - bisect_left(at_ms, at - TEN_MIN_MS + 1)
        if begun is None:
            begun = index if in_window >= FLOOD_BEGINS else None
            continue
        end_ms = _calm_at(at_ms, index)
        if end_ms is not None:
            found.append(Flood(span.boot, at_ms[begun], end_ms, index - begun))
            begun = index if in_window >= FLOOD_BEGINS else None
    if begun is not None:
        calm_ms = _calm_at(at_ms, len(at_ms))
        end_ms = min(span.to_ms, calm_ms) if calm_ms is not None else span.to_ms
        found.append(Flood(span.boot, at_ms[begun], end_ms, len(at_ms) - begun))
    return found


def _calm_at(at_ms: Sequence[int], index: int) -> int | None:
    """When, before the alarm at ``index``, the last ten minutes came to hold fewer than five, if ever."""
    oldest = at_ms[index - FLOOD_ENDS]
    calm_ms = oldest + TEN_MIN_MS
    return calm_ms if index == len(at_ms) or calm_ms <= at_ms[index] else None


def chattering(found: Sequence[Life]) -> list[str]:
    """Alarms raised three times or more within a minute, in the order of the table of their names."""
    by_alarm: dict[tuple[str, str], list[int]] = {}
    for life in found:
        by_alarm.setdefault((life.alarm, life.raised.boot), []).append(life.raised.mono_ms)
    return sorted(
        {alarm for (alarm, _), at_ms in by_alarm.items() if busiest(at_ms, CHATTER_MS) >= CHATTER_COUNT}
    )


def fleeting(found: Iterable[Life]) -> int:
    """Annunciations whose cause was gone within seconds and before anybody had acknowledged them."""
    return sum(
        1
        for life in found
        if life.returned is not None
        and life.returned.boot == life.raised.boot
        and life.returned.mono_ms - life.raised.mono_ms < FLEETING_MS
        and (life.acknowledged is None or life.acknowledged.mono_ms >= life.returned.mono_ms)
    )


def stale(
    found: Iterable[Life],
    told: Sequence[tuple[int, Moment, Event]],
    ends_ms: Mapping[str, int] | None = None,
) -> list[str]:
    """Alarms whose cause stood for longer than a day, by the wall clock where boots lie in between.

    ``ends_ms``: up to when each boot is recorded; an alarm that is still open stands until then.
    """
    last = told[-1][1] if told else None
    if last is not None and ends_ms is not None:
        ahead_ms = ends_ms.get(last.boot, last.mono_ms) - last.mono_ms
        wall_ms = None if last.wall_ms is None else last.wall_ms + ahead_ms
        last = Moment(last.boot, last.mono_ms + ahead_ms, wall_ms)
    names = set()
    for life in found:
        end = life.returned or life.over or last
        if end is not None and (_between_ms(life.raised, end) or 0) > STALE_MS:
            names.add(life.alarm)
    return sorted(names)


def _between_ms(start: Moment, end: Moment) -> int | None:
    if start.boot == end.boot:
        return end.mono_ms - start.mono_ms
    if start.wall_ms is None or end.wall_ms is None:
        return None
    return end.wall_ms - start.wall_ms


def _figures(
    runs: Sequence[_Run], found: Sequence[Life], told: Sequence[tuple[int, Moment, Event]]
) -> Performance:
    watched_ms = sum(run.span.to_ms - run.span.from_ms for run in runs)
    count = len(found)
    hours = watched_ms / HOUR_MS
    tens, whole_hours = windows(runs, TEN_MIN_MS), windows(runs, HOUR_MS)
    all_floods = [flood for run in runs for flood in floods(run.span, run.at_ms)]
    flood_ms = sum(flood.to_ms - flood.from_ms for flood in all_floods)
    chatter, old = chattering(found), stale(found, told, {run.span.boot: run.span.to_ms for run in runs})
    shares = [
        Share(alarm, n, n / count) for alarm, n in Counter(life.alarm for life in found).most_common(TOP)
    ]
    split = Counter("high" if life.priority == "critical" else life.priority for life in found)
    enough = watched_ms >= ENOUGH_MS
    many = count >= ENOUGH_ALARMS

    def rate(
        name: str,
        means: str,
        value: float | None,
        unit: str,
        acceptable: float,
        manageable: float | None = None,
        *,
        enough: bool = enough,
        strict: bool = False,
    ) -> Figure:
        return _judged(name, means, value, unit, acceptable, manageable, enough=enough, strict=strict)

    def percent(part: float, whole: float) -> float | None:
        return 100 * part / whole if whole else None

    figures = [
        rate("per-hour", "alarms an hour", count / hours if enough else None, "1/h", 6, 12),
        rate(
            "per-ten-min",
            "alarms in ten minutes, on average",
            count / hours / 6 if enough else None,
            "",
            1,
            2,
        ),
        rate(
            "per-day", "alarms in 24 hours of running", count / hours * 24 if enough else None, "", 144, 288
        ),
        rate(
            "worst-ten-min",
            "most alarms in any ten minutes",
            max((busiest(run.at_ms, TEN_MIN_MS) for run in runs), default=0) if runs else None,
            "",
            10,
        ),
        rate(
            "hours-over-30",
            "share of hours with more than 30 alarms",
            percent(sum(n > 30 for n in whole_hours), len(whole_hours)) if enough else None,
            "%",
            1,
            strict=True,
        ),
        rate(
            "ten-min-over-10",
            "share of ten-minute spells with more than 10 alarms",
            percent(sum(n > 10 for n in tens), len(tens)) if enough else None,
            "%",
            1,
            strict=True,
        ),
        rate(
            "in-flood",
            "share of time in a flood of alarms",
            percent(flood_ms, watched_ms) if enough else None,
            "%",
            1,
            strict=True,
        ),
        rate("chattering", "alarms that came three times in a minute", len(chatter), "", 0, enough=True),
        rate("fleeting", "alarms gone within 10 s, not acknowledged", fleeting(found), "", 0, enough=True),
        rate("stale", "alarms whose cause stood for more than a day", len(old), "", 5, strict=True),
    ]
    for priority, target in (("low", 80), ("medium", 15), ("high", 5)):
        figures.append(_split(priority, percent(split[priority], count), target, many=many))
    top_share = percent(sum(share.times for share in shares), count)
    # The benchmark is one of large plants: a bench has fewer kinds of alarm than two top tens.
    top_ten = Figure("top-ten", "share of the ten most frequent", top_share, "%", 5, None, "not judged")
    figures.append(top_ten)
    return Performance(
        watched_ms, count, tuple(figures), tuple(all_floods), tuple(chatter), tuple(old), tuple(shares)
    )


def _judged(
    name: str,
    means: str,
    value: float | None,
    unit: str,
    acceptable: float,
    manageable: float | None,
    *,
    enough: bool,
    strict: bool = False,
) -> Figure:
    if value is None or not enough:
        verdict = "too short"
    elif value < acceptable or (value == acceptable and not strict):
        verdict = "within"
    else:
        verdict = "bearable" if manageable is not None and value <= manageable else "above"
    return Figure(name, means, value, unit, acceptable, manageable, verdict)


def _split(priority: str, value: float | None, target: float, *, many: bool) -> Figure:
    """A share of a priority: low is to be large, the others small."""
    means = f"share of {priority}" + (" and critical" if priority == "high" else "") + " alarms"
    verdict = "too short"
    if value is not None and many:
        good = value >= target if priority == "low" else value <= target
        verdict = "within" if good else ("below" if priority == "low" else "above")
    return Figure(f"share-{priority}", means, value, "%", target, None, verdict)


def day_of(moment: Moment) -> str | None:
    """The UTC day of a moment, None while its wall time is unknown."""
    text = rfc3339(moment.wall_ms)
    return text[:10] if text is not None else None


def by_day(history: Iterable[tuple[int, Moment, Event]]) -> dict[str, int]:
    """Annunciations by UTC day; those of unknown time under an empty name."""
    days: Counter[str] = Counter()
    for _, moment, body in history:
        if isinstance(body, events.AlarmRaised):
            days[day_of(moment) or ""] += 1
    return dict(sorted(days.items()))
