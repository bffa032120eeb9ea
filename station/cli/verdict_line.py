"""A verdict as one line of output."""

import json

from station.commissioning.verdicts import Verdict


def verdict_line(found: Verdict, form: str) -> str:
    """One verdict as text or as a JSON line."""
    if form == "jsonl":
        row = {"check": found.name, "verdict": found.outcome, "detail": found.detail, **found.values}
        return json.dumps(row, ensure_ascii=False)
    shout = found.outcome.upper() if found.outcome == "failed" else found.outcome
    return f"{shout:<8}{found.name:<20}{found.detail}"
