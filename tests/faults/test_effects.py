"""The short form of faults and their effects, and the proof that a missing effect is found."""

import pytest
from effects import run, shown, sums
from fault import NOTHING
from fault_table import FAULTS

from station.rules.causes import CAUSES

pytestmark = pytest.mark.system
ROWS = {row.name: row for row in FAULTS}
DIES = ROWS["extractor-dies"]


def test_every_cause_has_a_row_that_asks_for_its_alarm():
    """The causes are those of the station's own table; a row that names no alarm of it proves nothing of it."""
    asked = " ".join(
        word for row in FAULTS for seen in (row.seen, row.back) for word in seen.events + seen.broker
    )
    assert [cause.alarm for cause in CAUSES if cause.alarm not in asked.replace("=", " ").split()] == []


def test_faults_of_the_short_form_have_all_their_effects(tmp_path):
    """One row of each kind: all of it is seen at the outputs, in the journal, on the broker, on the page."""
    tmp_path.chmod(0o755)
    rows = [row for row in FAULTS if row.short]
    assert {row.kind for row in rows} >= {
        "wire",
        "cause",
        "process",
        "disk",
        "clock",
        "network",
        "request",
        "settings",
    }
    results = run(rows, tmp_path)
    found = "\n".join([shown(results), *(m for r in results for m in (*r.missing, r.not_here))])
    assert sums(results)["seen"] == len(rows), found


REMOVED = {
    "output permit": "outputs",
    "output buzzer": "outputs",
    "output red": "outputs",
    "events step-held": "journal",
    "states": "broker",
    "states ": "page",
}


def test_an_effect_that_is_taken_away_is_missed(tmp_path):
    """The extractor dies; each station lacks one effect, as by a defect: the campaign says so, in its place."""
    tmp_path.chmod(0o755)
    rows = [
        DIES._replace(
            name=f"without-{number}",
            inject=(f"wire without {without}", *DIES.inject),
            seen=DIES.seen._replace(within_s=6.0),
            then=(),
            back=NOTHING,
        )
        for number, without in enumerate(REMOVED)
    ]
    results = run(rows, tmp_path, again=False)
    for result, (without, where) in zip(results, REMOVED.items(), strict=True):
        assert not result.lost.get("ready"), result.missing
        assert result.lost[where], f"nobody missed {without}"
        assert result.cell(where) == "LOST"
    assert sums(results) == {"injected": len(rows), "seen": 0, "lost": len(rows), "not_here": 0}


def test_a_defect_is_missed_again_when_the_row_is_brought_about_alone(tmp_path):
    """A second look forgives a busy machine and nothing else; what was lost at first is told."""
    tmp_path.chmod(0o755)
    inject = ("wire without output permit", *DIES.inject)
    row = DIES._replace(inject=inject, seen=DIES.seen._replace(within_s=6.0), then=(), back=NOTHING)
    (result,) = run([row], tmp_path)
    assert result.lost["outputs"]
    assert result.figures["at_first"] == result.missing
