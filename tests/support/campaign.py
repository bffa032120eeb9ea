"""What every campaign does with its figures: keep them as JSON, with machine, date and command."""

import json
import math
import os
import platform
import sys
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path

ARTEFACTS = Path(__file__).resolve().parents[1] / "artefacts" / "campaigns"


def keep(name: str, figures: Mapping[str, object], path: Path | None = None) -> Path:
    """Write the figures of a campaign, to ``path`` or beside those of the others; where."""
    path = path or ARTEFACTS / f"{name}.json"
    path.parent.mkdir(parents=True, exist_ok=True)
    about = {
        "at": datetime.now(UTC).isoformat(timespec="seconds"),
        "machine": f"{platform.system()} {platform.machine()}, {os.cpu_count()} cores, "
        f"Python {platform.python_version()}",
        "command": " ".join(["python", *sys.argv]),
    }
    path.write_text(json.dumps({**about, **figures}, indent=1, ensure_ascii=False) + "\n")
    return path


def quantile(values: Sequence[float], share: float) -> float:
    """The value that this share of all does not exceed (nearest rank)."""
    ordered = sorted(values)
    return ordered[max(0, math.ceil(len(ordered) * share) - 1)]


def table(rows: Sequence[Sequence[object]]) -> str:
    """Rows as a table in Markdown, the first one its head."""
    head, *body = [[str(cell) for cell in row] for row in rows]
    lines = [head, ["---"] * len(head), *body]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines)


def ahead_of_others() -> str:
    """Run this process and what it starts before others, where that is allowed; how it runs now.

    A shared machine that has no time left for the sampling thread makes the current unreadable, which is safe
    and is not what a campaign wants to measure.
    """
    with suppress(PermissionError):
        os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(1))
        return "real-time round robin"
    return "as others"
