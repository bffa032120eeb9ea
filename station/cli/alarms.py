"""`benchward alarms`: every annunciation and its life, and with `--performance` how well they serve."""

import json
from pathlib import Path

import click

from shared.alarm_lives import Life, lives
from shared.alarm_performance import Figure, Performance, performance
from shared.stored import Filter
from shared.timeline import Moment, rfc3339
from station.cli.output import Row, clock, format_option, print_rows
from station.cli.record import db_option, moment_option, open_history
from station.settings import Settings

_COLUMNS = (
    "alarm", "priority", "unit", "step", "reason", "seq", "raised", "acknowledged", "returned", "closed",
    "put_aside",
)  # fmt: skip
_FIGURE_COLUMNS = ("name", "means", "value", "unit", "acceptable", "manageable", "verdict")


@click.command()
@db_option
@click.option("--performance", "judge", is_flag=True, help="Rates, floods, chatter beside the benchmarks.")
@click.option("--from", "from_", metavar="RFC3339", help="Not before this time.")
@click.option("--to", metavar="RFC3339", help="Before this time.")
@format_option
@click.pass_obj
def alarms(
    settings: Settings, db: Path | None, judge: bool, from_: str | None, to: str | None, form: str
) -> None:
    """List every alarm raised, and how its life went on; or judge them all with --performance."""
    which = Filter(from_ms=moment_option("--from", from_), to_ms=moment_option("--to", to))
    with open_history(settings, db) as history:
        if not judge:
            print_rows((_row(life) for life in lives(history.told(which))), _COLUMNS, form, _alarm_text)
            return
        found = performance(history.told(which), history.spans(which.from_ms, which.to_ms))
    if form == "text":
        click.echo("\n".join(performance_lines(found)))
    elif form == "jsonl":
        click.echo(json.dumps(found.to_dict(), ensure_ascii=False))
    else:
        print_rows((figure._asdict() for figure in found.figures), _FIGURE_COLUMNS, form, str)


def _when(moment: Moment | None) -> str | float | None:
    if moment is None:
        return None
    return rfc3339(moment.wall_ms) or moment.mono_ms / 1000


def _row(life: Life) -> Row:
    return {
        "alarm": life.alarm,
        "priority": life.priority,
        "unit": life.unit,
        "step": life.step,
        "reason": life.reason,
        "seq": life.seq,
        "raised": _when(life.raised),
        "acknowledged": _when(life.acknowledged),
        "returned": _when(life.returned),
        "closed": None if life.aside else _when(life.over),
        "put_aside": _when(life.over) if life.aside else None,
    }


def _alarm_text(row: Row) -> str:
    stages = [f"raised {row['raised']}"]
    for stage in ("acknowledged", "returned"):
        stages.append(f"{stage} {row[stage]}" if row[stage] is not None else f"not {stage}")
    if row["put_aside"] is not None:
        stages.append(f"put aside {row['put_aside']}")
    else:
        stages.append(f"closed {row['closed']}" if row["closed"] is not None else "not closed")
    about = " ".join(str(row[key]) for key in ("unit", "step", "reason") if row[key])
    return f"{row['alarm']} ({row['priority']}) {about}: {', '.join(stages)}".replace("  ", " ")


def performance_lines(found: Performance) -> list[str]:
    """The figures as lines a safety lead reads."""
    word = "alarm" if found.alarms == 1 else "alarms"
    lines = [f"{found.alarms} {word} in {clock(found.watched_ms / 1000)} of running"]
    width = max(len(figure.means) for figure in found.figures)
    lines += [
        f"  {figure.means:<{width}}  {_value(figure):>9}   {_bound(figure)}" for figure in found.figures
    ]
    for flood in found.floods:
        length = clock((flood.to_ms - flood.from_ms) / 1000)
        lines.append(
            f"  flood: {flood.alarms} alarms, {length}, from {flood.from_ms / 1000:.0f} s of {flood.boot}"
        )
    if found.chattering:
        lines.append(f"  chattering: {', '.join(found.chattering)}")
    if found.stale:
        lines.append(f"  stale: {', '.join(found.stale)}")
    if found.top:
        lines.append("Most frequent:")
        lines += [f"  {share.times:>5}  {share.share:>4.0%}  {share.alarm}" for share in found.top]
    lines.append(
        "Benchmarks per operator position as ISA-18.2, IEC 62682 and EEMUA 191 give them (from memory). "
        "Rates need 8 h of running, shares 20 alarms."
    )
    return lines


def _value(figure: Figure) -> str:
    if figure.value is None:
        return "–"
    number = f"{figure.value:.1f}".removesuffix(".0")
    return f"{number} {figure.unit}".strip()


def _bound(figure: Figure) -> str:
    which = "at least" if figure.name == "share-low" else "at most"
    bound = f"{which} {figure.acceptable:g}"
    if figure.manageable is not None:
        bound += f", bearable to {figure.manageable:g}"
    return f"{figure.verdict} ({bound})"
