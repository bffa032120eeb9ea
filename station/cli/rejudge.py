"""`benchward replay --boot`: a recorded boot judged again, and what other numbers would have changed."""

import json
from collections import Counter
from pathlib import Path
from typing import NamedTuple

import click

from shared.events import EventBody, StationStarted
from shared.history import History
from shared.problems import InputError
from shared.stored import BootSpan, Filter
from shared.timeline import is_trace, rfc3339
from station.asked_again import asked_again
from station.cli.book import book_for
from station.cli.output import clock
from station.cli.record import open_history
from station.cli.watching import watching
from station.rejudge import Difference, Judgement, alarms_in, differences, judge
from station.rules.fold import fold
from station.rules.state import Durable
from station.rules.tick import Book
from station.settings import Settings, load_settings

SHOWN = 20


class Recorded(NamedTuple):
    """One boot as the database holds it."""

    boot: str
    span: BootSpan
    durable: Durable
    started: StationStarted
    told: list[tuple[int, EventBody]]

    def when(self, mono_ms: int) -> str:
        """A moment of the boot as people read it."""
        offset_ms = self.span.wall_offset_ms
        return rfc3339(None if offset_ms is None else mono_ms + offset_ms) or f"{mono_ms / 1000:.1f} s"


def rejudge(
    settings: Settings, db: Path | None, boot: str, sheet: Path | None, with_settings: Path | None,
    with_sheet: Path | None, form: str,
) -> None:  # fmt: skip
    """Judge a boot again and print what came of it.

    Raises:
        InputError: the boot is not known, has no readings, or a file is wrong.
    """
    book = book_for(settings, sheet)
    other = None
    if with_settings is not None or with_sheet is not None:
        other_settings = settings if with_settings is None else load_settings(with_settings)
        other = book_for(other_settings, with_sheet or sheet)
    with open_history(settings, db) as history:
        recorded = _recorded(history, boot)
        first = _judged(history, recorded, book, "judging again")
        second = None if other is None else _judged(history, recorded, other, "judging by the others")
    digest = recorded.started.settings
    strange = digest is not None and digest != settings.digest()
    if form == "jsonl":
        _print_lines(recorded, first, second, strange=strange)
    else:
        click.echo("\n".join(_text(recorded, first, second, strange=strange)))


def _recorded(history: History, name: str) -> Recorded:
    told: list[tuple[int, EventBody]] = []
    before = []
    starts = [boot for _, boot, body in history.told(Filter(kind="station-started"))]
    if name == "latest":
        if not starts:
            raise InputError(f"{history.path}: no boot is recorded.")
        name = starts[-1].boot
    span = history.boot(name)
    for _, moment, body in history.told():
        if moment.boot == name:
            told.append((moment.mono_ms, body))
        elif not told and not is_trace(moment.boot):
            before.append((moment, body))
    started = next((body for _, body in told if isinstance(body, StationStarted)), None)
    if started is None:
        raise InputError(f"{history.path}: boot is {name!r}, of which no start is recorded.")
    durable = Durable() if is_trace(name) else fold(before)
    return Recorded(name, span, durable, started, told)


def _judged(history: History, recorded: Recorded, book: Book, label: str) -> Judgement:
    requests = asked_again(recorded.told)
    offset_ms = recorded.span.wall_offset_ms
    starts = [(at, body) for at, body in recorded.told if isinstance(body, StationStarted)][1:]
    with watching(label) as progress:
        seconds = history.seconds_of(recorded.boot, progress)
        found = judge(
            book, recorded.durable, recorded.boot, recorded.started, seconds, requests, offset_ms, starts
        )
    if not found.watched_ms:
        raise InputError(f"{history.path}: boot is {recorded.boot!r}, of which no readings are recorded.")
    return found


def _agreement(recorded: Recorded, first: Judgement) -> tuple[int, int]:
    """How many of the alarms raised live the judgement finds as well, and how many there were."""
    live = alarms_in(body for _, body in recorded.told)
    return sum((live & first.alarms()).values()), sum(live.values())


def _print_lines(recorded: Recorded, first: Judgement, second: Judgement | None, *, strange: bool) -> None:
    found, live = _agreement(recorded, first)
    head = {
        "kind": "judged",
        "boot": recorded.boot,
        "watched_s": first.watched_ms / 1000,
        "alarms_live": live,
        "alarms_found_again": found,
        "settings_differ_from_recorded": strange,
        "alarms": dict(first.alarms()),
        "refusals": dict(first.refusals()),
        "permit_s": first.permit_ms / 1000,
    }
    if second is not None:
        head["with"] = {
            "alarms": dict(second.alarms()),
            "refusals": dict(second.refusals()),
            "permit_s": second.permit_ms / 1000,
        }
    click.echo(json.dumps(head))
    for difference in differences(first, second) if second is not None else []:
        at = recorded.when(difference.mono_ms)
        mono_ms, only, event, what = difference
        told = {"kind": "difference", "at": at, "mono_s": mono_ms / 1000, "only": only}
        click.echo(json.dumps(told | {"event": event, "what": what}, ensure_ascii=False))


def _text(recorded: Recorded, first: Judgement, second: Judgement | None, *, strange: bool) -> list[str]:
    found, live = _agreement(recorded, first)
    begun = recorded.when(recorded.told[0][0])
    lines = [
        f"{recorded.boot}: {clock(first.watched_ms / 1000)} of record, from {begun}",
        "Judged from one-second means: shorter things may fall differently.",
    ]
    if strange:
        lines.append("The settings given are not those it ran with (their fingerprint differs).")
    if live:
        lines.append(f"Of {live} alarms that were raised live this judgement finds {found} again.")
    else:
        lines.append("No alarm was raised live.")
    if second is None:
        lines += _counts("alarms", first.alarms()) + _counts("refused", first.refusals())
        return [*lines, f"iron had power for {clock(first.permit_ms / 1000)}"]
    lines += _changed("alarms", first.alarms(), second.alarms())
    lines += _changed("refused starts and finishes", first.refusals(), second.refusals())
    lines += _changed("holds", first.holds(), second.holds())
    power, other_power = clock(first.permit_ms / 1000), clock(second.permit_ms / 1000)
    lines.append(f"iron had power for {power}, with the others {other_power}")
    changes = differences(first, second)
    lines += [_difference_text(recorded, change) for change in changes[:SHOWN]]
    if len(changes) > SHOWN:
        lines.append(f"… and {len(changes) - SHOWN} more (--format jsonl lists all)")
    return lines


def _counts(title: str, counts: Counter[str]) -> list[str]:
    return [f"{title}: {sum(counts.values())}", *(f"  {n:>4}  {name}" for name, n in counts.most_common())]


def _changed(title: str, first: Counter[str], second: Counter[str]) -> list[str]:
    more = sum(second.values()) - sum(first.values())
    how = "as many" if not more else f"{abs(more)} {'more' if more > 0 else 'fewer'}"
    lines = [f"{title}: {sum(first.values())}, with the others {sum(second.values())} ({how})"]
    for name in sorted(first.keys() | second.keys()):
        if first[name] != second[name]:
            lines.append(f"  {name}: {first[name]} → {second[name]}")
    return lines


def _difference_text(recorded: Recorded, change: Difference) -> str:
    only = "only with the others" if change.only == "second" else "not with the others"
    return f"  {recorded.when(change.mono_ms)}  {change.kind} {change.what}: {only}"
