"""A recorded boot judged again: what another tolerance would have changed, counted by other means."""

import json
import math
from pathlib import Path

import pytest

from shared import events
from shared.messages import Second
from shared.sheet import default_sheet
from shared.timeline import Moment
from station.journal.ledger import Ledger, Told

MINUTES, PERIOD_S, SWING_C = 20, 60, 4.0
RUN_UP_S = 5


def plate_c(at_s: float) -> float:
    """A plate that swings about its setpoint once a minute, as a badly tuned thermostat makes it."""
    return 100 + SWING_C * math.sin(2 * math.pi * (at_s - RUN_UP_S) / PERIOD_S) if at_s > RUN_UP_S else 100.0


def word(celsius: float) -> str:
    """A MAX31855 frame: 0.25 °C a step, cold junction 25 °C (datasheet, bits 31..18 and 15..4)."""
    return f"{(round(celsius * 4) << 18) | (400 << 4):08X}"


@pytest.fixture(scope="module")
def swinging(tmp_path_factory: pytest.TempPathFactory, benchward) -> Path:
    """A database with one boot: twenty minutes of a heat step on a swinging plate."""
    folder = tmp_path_factory.mktemp("swinging")
    asked = {1.0: "book-in unit=U-1 model=m", 2.0: "start step=frame-off"}
    lines = ["t_s,plate_frame,extraction_a,solvent_out,request"]
    for tick in range(MINUTES * 600):
        at_s = tick / 10
        lines.append(f"{at_s:.1f},{word(plate_c(at_s))},0.42,0,{asked.get(at_s, '')}")
    trace = folder / "swinging.csv"
    trace.write_text("\n".join(lines) + "\n", "utf-8")
    result = benchward("replay", trace, "--db", folder / "bench.db", "--start", "2026-03-02T08:00:00Z")
    assert result.exit_code == 0, result.stderr
    return folder / "bench.db"


@pytest.fixture(scope="module")
def tight(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The default sheet with a band of ± 3 °C."""
    path = tmp_path_factory.mktemp("tight") / "tight.toml"
    source = Path(default_sheet.__code__.co_filename).parent / "default_sheet.toml"
    path.write_text(source.read_text("utf-8").replace("tolerance_c = 5.0", "tolerance_c = 3.0"), "utf-8")
    return path


def excursions(band_c: float) -> int:
    """Times the plate is beyond the band for 10 s and more, on each side, by walking the curve itself."""
    count = 0
    for sign in (1, -1):
        length = 0
        for tick in range(RUN_UP_S * 10, MINUTES * 600):
            beyond = sign * (round(plate_c(tick / 10) * 4) / 4 - 100) > band_c
            length = length + 1 if beyond else 0
            count += length == 100
    return count


def test_another_tolerance_shows_the_alarms_it_would_have_raised(benchward, lines, swinging, tight):
    """None in ± 5 °C; in ± 3 °C one for every excursion that the curve itself has."""
    head, *differences = lines(
        benchward("replay", "--db", swinging, "--boot", "latest", "--with-sheet", tight, "--format", "jsonl")
    )
    assert head["alarms"] == {}
    assert sum(head["with"]["alarms"].values()) == excursions(3.0) > 30
    assert set(head["with"]["alarms"]) == {"plate-high", "plate-low"}
    assert [row["only"] for row in differences] == ["second"] * excursions(3.0)
    assert differences[0]["at"].startswith("2026-03-02T08:00:")


def test_the_text_says_how_many_more(benchward, swinging, tight):
    """A sentence a safety lead understands."""
    text = benchward("replay", "--db", swinging, "--boot", "latest", "--with-sheet", tight).stdout
    count = excursions(3.0)
    assert f"alarms: 0, with the others {count} ({count} more)" in text
    assert "only with the others" in text


@pytest.mark.parametrize("trace", ["fan-dies", "quiet-hour", "open-thermocouple"])
def test_a_record_judged_again_finds_what_was_raised_live(benchward, lines, traces, tmp_path, trace):
    """Same alarms and refusals from one-second rows as from ten ticks a second."""
    db = tmp_path / "bench.db"
    told = lines(benchward("replay", traces / f"{trace}.csv", "--db", db))
    (head,) = lines(benchward("replay", "--db", db, "--boot", "latest", "--format", "jsonl"))
    raised = [event["alarm"] for event in told if event["kind"] == "alarm-raised"]
    refused = [event["step"] for event in told if event["kind"] == "step-refused"]
    assert head["alarms_found_again"] == head["alarms_live"] == len(raised)
    assert sorted(head["alarms"]) == sorted(set(raised))
    assert sum(head["refusals"].values()) == len(refused)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ((), "Name a TRACE, or a recorded boot"),
        (("x.csv", "--boot", "b"), "Name a TRACE, or a recorded boot"),
        (("x.csv", "--with-sheet", "s.toml"), "compare recorded boots"),
        (("--boot", "nope"), "boot is 'nope', which this record does not know"),
        (("--boot", "latest", "--start", "2026-03-02T08:00:00Z"), "--start is"),
        (("--boot", "latest", "--with-sheet", "/nowhere.toml"), "/nowhere.toml: cannot be read"),
    ],
)
def test_replay_of_a_boot_is_refused_when_asked_wrongly(benchward, swinging, words, message):
    """Exit 2, and what would be right."""
    result = benchward("replay", "--db", swinging, *words)
    assert (result.exit_code, result.stdout) == (2, "")
    assert message in result.stderr


def test_judging_again_writes_nothing(benchward, swinging, tight):
    """The database is as it was, byte for byte."""
    before = swinging.read_bytes()
    benchward("replay", "--db", swinging, "--boot", "latest", "--with-sheet", tight)
    assert swinging.read_bytes() == before
    last = benchward("log", "--db", swinging, "--format", "jsonl").stdout.splitlines()[-1]
    assert json.loads(last)["kind"] == "trace-finished"


def test_judging_a_boot_again_takes_nothing_over_from_a_replay_before_it(benchward, lines, tmp_path):
    """The trace left a unit in hand on its own bench; at the station's there was none, then as now."""
    db = tmp_path / "bench.db"
    ledger = Ledger(db)
    started = events.StationStarted(station="s", version="v", sheet="s")
    unit = (events.SignedIn(technician="T-9"), events.UnitBookedIn(unit="DP-9", model="m"))
    refused = events.StepRefused(request="start", step="intake", reasons=["no-unit"])
    ledger.write([
        Told(Moment("trace-1", 0), (started, *unit, events.UnitTaken(unit="DP-9"))),
        Told(Moment("7d1c", 0), (started,)), Told(Moment("7d1c", 5000), (refused,)),
        *(second_of("7d1c", at) for at in range(10)),
    ])  # fmt: skip
    ledger.close()
    (head,) = lines(benchward("replay", "--db", db, "--boot", "7d1c", "--format", "jsonl"))
    assert head["refusals"] == {"intake": 1}


def second_of(boot: str, at: int) -> Second:
    """A quiet second of record."""
    return Second(
        boot=boot, second=at, plate_mean_c=20.0, plate_min_c=20.0, plate_max_c=20.0, cold_junction_c=25.0,
        extraction_a=0.4, solvent_out=False, quality="good", valid_ms=1000,
    )  # fmt: skip
