"""The printed rules are the rules: nothing left out, nothing made up, the file in the repository current."""

from pathlib import Path

import msgspec
import pytest

from station.rulebook.document import render
from station.rulebook.matrix import cause_rows, life_rows, light_rows, number_rows, whole
from station.rules.alarms import TABLE
from station.rules.causes import CAUSES
from station.rules.limits import Limits, PlateLimits, SolventLimits

DOCUMENT = Path(__file__).parents[3] / "deploy" / "rules.md"


def test_document_in_the_repository_is_current():
    """If this fails: benchward rules --format markdown > deploy/rules.md, and read what has changed."""
    assert DOCUMENT.read_text("utf-8") == render(Limits())


def test_document_follows_the_settings():
    """The numbers printed are those enforced."""
    text = render(Limits(plate=PlateLimits(over_limit_c=121.5)))
    assert "plate at 121.5 °C or more" in text
    assert "| `limits.plate.over_limit_c` | 121.5 | 130 |" in text


def test_matrix_has_every_cause_and_its_effects():
    """Row by row against the table the engine goes by."""
    rows = {row["alarm"]: row for row in cause_rows(Limits())}
    assert list(rows) == [cause.alarm for cause in CAUSES]
    for cause in CAUSES:
        row = rows[cause.alarm]
        told = {
            "refuse every start": row["starts_refused"] == "all",
            "refuse heat and solder starts": row["starts_refused"] == "heat, solder",
            "hold the step": row["step_held"] == "any",
            "hold a heat step": row["step_held"] == "heat",
            "drop the permit": row["permit_dropped"],
            "stop the soak clock": row["soak_stopped"],
        }
        assert {effect for effect, holds in told.items() if holds} == {
            str(effect) for effect in cause.effects
        }


def test_life_rows_are_the_transition_table():
    """Every transition for every kind of row, told once."""
    for latching, word in ((False, "others"), (True, "latching")):
        told = {(row["from"], row["on"]): row["to"] for row in life_rows() if row["rows"] in ("all", word)}
        assert told == {(str(a), str(on)): str(move.to) for (a, on), move in TABLE[latching].items()}


def test_every_transition_is_in_a_diagram():
    """The pictures are made from the same rows."""
    text = render(Limits())
    for row in life_rows():
        start, end = row["from"].replace("-", "_"), row["to"].replace("-", "_")
        lines = [line for line in text.splitlines() if line.strip().startswith(f"{start} --> {end}: ")]
        assert any(row["on"] in line for line in lines), row


def test_light_table_never_shows_all_lamps_dark():
    """No light at all is kept for: do not trust the station."""
    for row in light_rows():
        assert {row["red"], row["amber"], row["green"], row["blue"]} != {"off"}, row["when"]


def test_light_table_needs_no_colour():
    """New alarms of different priority differ in place, flash or sound; common practice, no source."""
    new = {row["when"]: tuple(row.values())[1:] for row in light_rows() if row["when"].endswith("new")}
    assert len(new) == len(set(new.values())) == 4


@pytest.mark.parametrize("row", number_rows(Limits()), ids=lambda row: row["key"])
def test_every_number_has_a_meaning_a_range_and_a_default_inside_it(row):
    """Words and lists have no range."""
    assert row["meaning"]
    if isinstance(row["default"], int | float):
        assert row["least"] <= row["default"] <= row["most"]


def test_no_number_is_left_out():
    """All leaves of the limits, counted by another way; a solvent's own properties aside."""

    def leaves(struct):
        values = [getattr(struct, field.name) for field in msgspec.structs.fields(struct)]
        return sum(
            leaves(value) if isinstance(value, msgspec.Struct) else value is not None for value in values
        )

    assert len(number_rows(Limits())) == leaves(Limits())
    assert leaves(Limits(solvent=SolventLimits(name="ethanol"))) == leaves(Limits())


def test_whole_is_json():
    """For programs."""
    assert set(msgspec.json.decode(msgspec.json.encode(whole(Limits())))) == {
        "causes",
        "alarm_life",
        "light",
        "numbers",
    }
