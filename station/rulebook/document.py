"""The rules as a document in Markdown, for the safety lead; the file in the repository is this, printed."""

from collections.abc import Iterable, Sequence
from typing import Any

from station.rulebook.matrix import (
    LAMP_WORDS,
    Row,
    cause_rows,
    life_rows,
    light_rows,
    number_rows,
    reason_rows,
)
from station.rules.limits import Limits

_OPENING = """\
# What the station enforces

Made by `benchward rules --format markdown` from the tables that the station goes by; do not edit it by hand.
The numbers are those of the settings it was made with (in the repository: the defaults). A settings file can
change a number within its range; it cannot take a row or an effect away, and no sheet and no settings let a
solder step run without proven extraction.

Not a safety-rated device: it does not replace an independent over-temperature cut-out, a gas detector, tests
of the extraction, or fire precautions. Local codes and licensed practice come first.
"""

_MATRIX = """\
## Causes and effects

Each cause has light and sound by its priority (below). "Raised" and "returns" are the delays after which it
counts as there and as gone. An alarm that is shelved, suppressed or out of service has no light and no sound;
its effects stay. A critical alarm keeps its effects until it is acknowledged as well as gone. The vapour rows
go by an estimate, never by a measurement.
"""

_LIFE = """\
## The life of an alarm

States and transitions follow ISA-18.2 / IEC 62682. Acknowledging never clears a cause, silencing acknowledges
nothing, and a latched alarm goes only by a reset after its cause has gone. One that was put aside comes back
as normal and is raised anew at once if its cause stands. A shelved alarm comes back by itself when its time
is up. Only those whom the settings name (`limits.alarms.authorisers`) may take an alarm out of service. A
critical alarm can be neither shelved nor taken out of service.
"""

_LIGHT = """\
## The station light and the buzzer

Four lamps, one above the other, so that nobody needs to see their colours: the **first** place (top, red),
the **second** (amber), the **third** (green), the **fourth** (bottom, blue). "Lit" is steady, "slow" flashes
about once in 1.7 seconds (0.6 Hz), "fast" twice a second. Where several things are true the first place
shows the worst critical alarm and the second the worst of the others; the sound is that of the most urgent.
No lamp at all means: do not trust the station.
"""

_SOUNDS = {
    "none": "–",
    "critical": "quick pulses without a pause",
    "high": "two beeps, a pause",
    "medium": "one beep every 3 s",
    "low": "one beep every 20 s",
    "refused": "three short pips, once",
    "test": "half a second on, half off",
}


def render(limits: Limits) -> str:
    """The whole document."""
    return "\n".join(
        [
            _OPENING,
            _MATRIX,
            _table(_MATRIX_HEAD, (_matrix_cells(row) for row in cause_rows(limits))),
            *(_cause_text(row) for row in cause_rows(limits)),
            _LIFE,
            *(_diagram(latching) for latching in (False, True)),
            _LIGHT,
            _table(("when", "first", "second", "third", "fourth", "sound"), map(_light_cells, light_rows())),
            "## Why something is refused\n",
            _table(("code", "in words"), ((row["reason"], row["text"]) for row in reason_rows())),
            "## Numbers\n",
            _table(
                ("setting", "value", "default", "range", "meaning"), map(_number_cells, number_rows(limits))
            ),
        ]
    )


def _table(head: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    lines = [head, ["---"] * len(head), *rows]
    return "".join(f"| {' | '.join(str(cell) for cell in line)} |\n" for line in lines)


_MATRIX_HEAD = (
    "cause", "priority", "raised", "returns", "starts refused", "step held", "iron power", "soak clock",
    "latched",
)  # fmt: skip


def _matrix_cells(row: Row) -> tuple[str, ...]:
    return (
        f"`{row['alarm']}`",
        row["priority"],
        f"{row['on_delay_s']:g} s",
        f"{row['off_delay_s']:g} s",
        row["starts_refused"] or "",
        row["step_held"] or "",
        "off" if row["permit_dropped"] else "",
        "stops" if row["soak_stopped"] else "",
        "yes" if row["latching"] else "",
    )


def _cause_text(row: Row) -> str:
    aside = (
        f" Suppressed while {', '.join(row['suppressed_by'])} is in force." if row["suppressed_by"] else ""
    )
    return (
        f"**`{row['alarm']}`** {row['title']}. Raised when: {row['when']}.{aside} "
        f"For the technician: *{row['action']}*\n"
    )


def _diagram(latching: bool) -> str:
    """A state diagram (Mermaid) of the transition table."""
    wanted = ("all", "latching") if latching else ("all", "others")
    edges: dict[tuple[str, str], list[str]] = {}
    for row in life_rows():
        if row["rows"] in wanted:
            edges.setdefault((row["from"], row["to"]), []).append(row["on"])
    lines = [f"    {_node(a)} --> {_node(b)}: {', '.join(ons)}" for (a, b), ons in edges.items()]
    states = dict.fromkeys(name for edge in edges for name in edge)
    names = [f'    state "{name}" as {_node(name)}' for name in states]
    which = "Rows that latch" if latching else "Rows that do not latch"
    return "\n".join(
        [f"{which}:\n", "```mermaid", "stateDiagram-v2", *names, "    [*] --> normal", *lines, "```\n"]
    )


def _node(state: str) -> str:
    return state.replace("-", "_")


def _light_cells(row: Row) -> tuple[str, ...]:
    lamps = (LAMP_WORDS[row[lamp]] for lamp in ("red", "amber", "green", "blue"))
    return (row["when"], *lamps, _SOUNDS[row["sound"]])


def _number_cells(row: Row) -> tuple[str, ...]:
    least, most = row["least"], row["most"]
    span = "" if least is None else f"{least:g} to {most:g}"
    return (f"`{row['key']}`", _plain(row["value"]), _plain(row["default"]), span, row["meaning"])


def _plain(value: Any) -> str:
    if isinstance(value, list | tuple):
        return ", ".join(map(str, value)) or "nobody"
    return f"{value:g}" if isinstance(value, int | float) else str(value)
