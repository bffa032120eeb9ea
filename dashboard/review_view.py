"""A range of days for the safety lead: proof, refusals, alarms, excursions, solvent, who did what."""

from collections import Counter
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import msgspec

from dashboard.chain_seen import SeenChain
from dashboard.words import duration_text, plain
from shared import events
from shared.alarm_lives import Life, lives
from shared.alarm_performance import Figure, Performance, performance
from shared.chain import Verdict
from shared.events import Event, EventBody
from shared.history import History
from shared.proof import Proof, proof
from shared.stored import Filter
from shared.timeline import Moment, days_of, rfc3339
from shared.wording import reason_text

DAY_MS = 86_400_000
EXCURSIONS = ("plate-high", "plate-low", "plate-over-limit", "plate-not-heating", "plate-left-hot")
Told = tuple[int, Moment, EventBody]


class Period(NamedTuple):
    """From which to which UTC day, both included, and as Unix ms with the end excluded."""

    first_day: str
    last_day: str
    from_ms: int
    to_ms: int


class Table(msgspec.Struct, frozen=True):
    """A table of the review: its key (for the CSV), title, columns and rows; what to say when it is empty."""

    key: str
    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    nothing: str


class ReviewView(msgspec.Struct, frozen=True, kw_only=True):
    """Everything the review shows. ``share``: of soldering time with proof, in words."""

    share: str
    share_line: str
    share_tone: str
    proven: str
    losses: int
    watched: str
    alarms: int
    tables: tuple[Table, ...]
    performance: Table
    chain_line: str
    chain_good: bool
    head: str
    undated: int


def review(
    history: History, period: Period, solder_steps: Sequence[str], seen_chain: SeenChain
) -> ReviewView:
    """Everything of a period; what has no date is counted, and in none."""
    told = history.told_about(period.from_ms, period.to_ms)
    inside = [
        one for one in told if one[1].wall_ms is not None and period.from_ms <= one[1].wall_ms < period.to_ms
    ]
    performed = performance(inside, history.spans(period.from_ms, period.to_ms))
    ends = {span.boot: span.to_ms for span in history.spans()}
    seen = proof(told, solder_steps, period.from_ms, period.to_ms, ends)
    verdict = seen_chain.look(history)
    return ReviewView(
        **_share(seen),
        proven=duration_text(seen.proven_ms / 1000),
        losses=seen.losses,
        watched=duration_text(performed.watched_ms / 1000),
        alarms=performed.alarms,
        tables=(*(make(inside, seen) for make in _TABLES), _signatures(history, period)),
        performance=_performance(performed),
        chain_line=_chain_line(verdict),
        chain_good=verdict.problem is None,
        head=verdict.head,
        undated=history.undated(),
    )


def _share(seen: Proof) -> dict[str, str]:
    share = seen.share
    if share is None:
        return {"share": "–", "share_line": "Nobody soldered in these days.", "share_tone": "grey"}
    whole = duration_text(seen.soldering_ms / 1000)
    runs = len(seen.soldering)
    line = f"of {whole} of soldering ({runs} {'time' if runs == 1 else 'times'}) were with proven extraction."
    if share == 1 and not seen.losses_in_soldering:
        return {"share": "100 %", "share_line": line, "share_tone": "green"}
    if share == 1:
        count = seen.losses_in_soldering
        times = "once" if count == 1 else f"{count} times"
        line += f" But proof was lost {times} while somebody soldered, and the step was held: look below."
        return {"share": "100 %", "share_line": line, "share_tone": "amber"}
    # Rounded down: what is not all of it never looks like it.
    return {"share": f"{int(share * 1000) / 10:.1f} %", "share_line": line, "share_tone": "red"}


def _chain_line(verdict: Verdict) -> str:
    if verdict.problem is not None:
        return f"The chain of events breaks: {verdict.problem}."
    return f"{verdict.count} events, their chain unbroken."


def _performance(found: Performance) -> Table:
    rows = tuple((figure.means, _value(figure), figure.verdict) for figure in found.figures)
    columns = ("figure", "value", "beside the benchmark")
    return Table("performance", "How the alarms serve", columns, rows, "Nothing can be told.")


def _value(figure: Figure) -> str:
    if figure.value is None:
        return "–"
    return f"{figure.value:.1f} {figure.unit}".replace(".0 ", " ").strip()


def when_text(moment: Moment) -> str:
    """A moment for a table: date and time in UTC, to the second."""
    text = rfc3339(moment.wall_ms)
    return "unknown" if text is None else f"{text[:10]} {text[11:19]}"


def _soldering(told: Sequence[Told], seen: Proof) -> Table:
    rows = tuple(
        (
            when_text(run.begun),
            run.unit,
            run.technician or "–",
            duration_text(run.proven_ms / 1000),
            duration_text(run.unproven_ms / 1000),
            str(run.losses),
        )
        for run in sorted(seen.soldering, key=lambda run: (-run.unproven_ms, -run.losses))
    )
    columns = ("when (UTC)", "unit", "technician", "with proof", "without proof", "proof lost")
    return Table("soldering", "Soldering", columns, rows, "Nobody soldered.")


def _refusals(told: Sequence[Told], seen: Proof) -> Table:
    rows = []
    for _, moment, body in told:
        if isinstance(body, events.StepRefused):
            asked = f"{body.request} {body.step}"
        elif isinstance(body, events.RequestRefused):
            asked = body.request
        else:
            continue
        why = "; ".join(reason_text(code).partition(". ")[0].rstrip(".") for code in body.reasons)
        rows.append((when_text(moment), asked, why, body.technician or "–"))
    columns = ("when (UTC)", "asked", "refused because", "technician")
    return Table("refusals", "What was refused", columns, tuple(rows), "Nothing was refused.")


def _alarms(told: Sequence[Told], seen: Proof) -> Table:
    columns = ("raised (UTC)", "alarm", "priority", "unit", "acknowledged after", "cause gone after", "end")
    rows = tuple(_alarm_row(life) for life in lives(told))
    return Table("alarms", "Alarms and how they ended", columns, rows, "No alarm was raised.")


def _alarm_row(life: Life) -> tuple[str, ...]:
    end = "open" if life.over is None else ("put aside" if life.aside else "closed")
    return (
        when_text(life.raised),
        plain(life.alarm),
        life.priority,
        life.unit or "–",
        _after(life.raised, life.acknowledged),
        _after(life.raised, life.returned),
        end,
    )


def _after(start: Moment, end: Moment | None) -> str:
    if end is None:
        return "–"
    if start.boot == end.boot:
        return duration_text((end.mono_ms - start.mono_ms) / 1000)
    if start.wall_ms is None or end.wall_ms is None:
        return "after a restart"
    return duration_text((end.wall_ms - start.wall_ms) / 1000)


def _excursions(told: Sequence[Told], seen: Proof) -> Table:
    starts = {seq: body.values for seq, _, body in told if isinstance(body, events.AlarmRaised)}
    rows = tuple(
        (
            when_text(life.raised),
            plain(life.alarm),
            life.unit or "–",
            life.step or "–",
            f"{starts[life.seq]['plate_c']:.1f} °C" if "plate_c" in starts[life.seq] else "–",
            _after(life.raised, life.returned),
        )
        for life in lives(told)
        if life.alarm in EXCURSIONS
    )
    columns = ("when (UTC)", "what", "unit", "step", "plate then", "lasted")
    return Table(
        "excursions", "Plate away from where it should be", columns, rows, "The plate never strayed."
    )


def _solvent(told: Sequence[Told], seen: Proof) -> Table:
    rows = []
    for _, moment, body in told:
        if isinstance(body, events.SolventLifted):
            rows.append((when_text(moment), "bottle lifted", f"{body.values.get('ml', 0):g} mL counted"))
        elif isinstance(body, events.SolventDispensed):
            rows.append((when_text(moment), "told at the bench", f"{body.values.get('ml', 0):g} mL drawn"))
        elif isinstance(body, events.AlarmRaised) and body.alarm.startswith(("vapour", "exposure")):
            share = body.values.get("vapour_lel_percent")
            much = f"{body.values.get('short_term_ppm', 0):g} ppm over 15 min"
            rows.append(
                (when_text(moment), plain(body.alarm), much if share is None else f"{share:g} % of the limit")
            )
    columns = ("when (UTC)", "what", "how much (estimate)")
    return Table("solvent", "Solvent and vapour", columns, tuple(rows), "No solvent was out.")


def _people(told: Sequence[Told], seen: Proof) -> Table:
    kinds: dict[type[Event], str] = {
        events.StepStarted: "started",
        events.StepFinished: "finished",
        events.StepRefused: "refused",
        events.AlarmAcknowledged: "acknowledged",
        events.AlarmShelved: "put aside",
        events.AlarmOutOfService: "put aside",
    }
    counts: dict[str, Counter[str]] = {}
    for _, _, body in told:
        what = kinds.get(type(body))
        if what is not None and body.technician:
            counts.setdefault(body.technician, Counter())[what] += 1
    columns = (
        "technician",
        "steps started",
        "steps finished",
        "steps refused",
        "alarms acknowledged",
        "put aside",
    )
    keys = ("started", "finished", "refused", "acknowledged", "put aside")
    rows = tuple((who, *(str(done[key]) for key in keys)) for who, done in sorted(counts.items()))
    return Table("people", "Who did what", columns, rows, "Nobody signed in and worked.")


def _calibrations(told: Sequence[Told], seen: Proof) -> Table:
    rows = tuple(
        (when_text(moment), body.channel, body.due or "–", body.technician or "–")
        for _, moment, body in told
        if isinstance(body, events.Calibrated)
    )
    columns = ("when (UTC)", "channel", "holds until", "by")
    return Table("calibrations", "Calibrations", columns, rows, "Nothing was calibrated in these days.")


def _signatures(history: History, period: Period) -> Table:
    """Who has signed a review in which any of these days was, whenever that was."""
    rows = tuple(
        (when_text(moment), body.period.replace("/", " to "), body.technician or "–", body.head)
        for _, moment, body in history.told(Filter(kind="review-signed"))
        if isinstance(body, events.ReviewSigned) and _shares_days(body.period, period)
    )
    columns = ("when (UTC)", "days", "by", "head of the chain")
    return Table(
        "signatures", "Signatures for these days", columns, rows, "Nobody has signed for these days."
    )


def _shares_days(signed: str, period: Period) -> bool:
    days = days_of(signed)
    if days is None:
        return False
    first, last = days
    return first.isoformat() <= period.last_day and period.first_day <= last.isoformat()


_TABLES: tuple[Callable[[Sequence[Told], Proof], Table], ...] = (
    _soldering,
    _refusals,
    _alarms,
    _excursions,
    _solvent,
    _people,
    _calibrations,
)


def as_csv(table: Table) -> list[tuple[str, ...]]:
    """The table as lines for a CSV, its columns first."""
    return [table.columns, *table.rows]


def period_of(first_day: str, last_day: str, from_ms: int, to_ms: int) -> Period:
    """A period from its days."""
    return Period(first_day, last_day, from_ms, to_ms + DAY_MS)


def undated_line(count: int) -> Any:
    """What to say of events that have no date yet; empty without any."""
    if not count:
        return ""
    return f"{count} events on record have no date yet (the clock was not set) and are in no period."
