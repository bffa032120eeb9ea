"""`benchward calibrate`: points to result, refused with reasons, recorded in the chain."""

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result
from msgspec.structs import replace

from shared.events import Calibrated
from shared.history import History
from station.bootstrap import calibrated
from station.calibration import latest, on_record
from station.cli.calibrate import due_after
from station.journal.ledger import Ledger
from station.settings import JournalSettings, PlateWire, Settings

Call = Callable[..., Result]
STEADY_ON = ",".join(f"0.4{n}" for n in (20, 21, 19, 20, 22, 18, 20, 21, 20, 19))
STILL_OFF = ",".join(["0.008"] * 10)


def stored(db: Path, channel: str) -> Calibrated:
    """The newest calibration of a channel; the chain must be whole."""
    with History(db) as history:
        assert history.verify().problem is None
        found = latest(history, channel)
    assert found is not None
    return found


def test_two_points_give_the_worked_gain_and_offset(benchward: Call, tmp_path: Path) -> None:
    """Readings 0.75 and 98.50 for 0 and 99.2 °C: gain 1.0148338, offset -0.7611253 (two-point formula)."""
    db = tmp_path / "n.db"
    result = benchward("calibrate", "plate", "--points", "0=0.75,99.2=98.5", "--by", "T-04", "--db", db)
    assert result.exit_code == 0, result.stderr
    body = stored(db, "plate")
    assert (body.values["gain"], body.values["offset_c"]) == pytest.approx((1.0148338, -0.7611253), abs=1e-7)
    assert body.technician == "T-04"
    assert [point["reference_c"] for point in body.points] == [0.0, 99.2]
    assert "combined u 0.685 °C; U (k = 2) 1.37 °C" in result.stdout


def test_station_starts_with_the_newest_calibration(benchward: Call, tmp_path: Path) -> None:
    """The wire of the settings, with gain and offset of what was stored last; 80 °C reads 80.4256 °C."""
    db = tmp_path / "n.db"
    for points in ("0=1.0,100=100.5", "0=0.75,99.2=98.5"):
        benchward("calibrate", "plate", "--points", points, "--by", "T-04", "--db", db)
    wire, known = on_record(db, PlateWire())
    assert wire.gain * 80 + wire.offset_c == pytest.approx(80.4256, abs=1e-4)
    assert set(known) == {"plate"}
    assert on_record(tmp_path / "none.db", PlateWire()) == (PlateWire(), {})


def test_boiling_point_follows_the_altitude(benchward: Call) -> None:
    """1000 m: 898.75 hPa and 96.649 °C (standard atmosphere, IAPWS-IF97)."""
    options = ("--boil", "--altitude", "1000", "--ice", "--simulate", "--yes", "--dry-run", "--seconds", "5")
    result = benchward("calibrate", "plate", *options)
    assert result.exit_code == 0, result.stderr
    found = re.search(r"Boiling point, ([0-9.]+) °C at ([0-9.]+) hPa", result.stdout)
    assert found is not None
    assert float(found[1]) == pytest.approx(96.649, abs=0.02)
    assert float(found[2]) == pytest.approx(898.75, abs=0.1)


def test_simulated_calibration_finds_the_error_that_was_put_in(benchward: Call, tmp_path: Path) -> None:
    """The simulated thermocouple reads 0.992 x + 0.6; the trim takes that back."""
    db = tmp_path / "n.db"
    options = ("--ice", "--reference", "100", "--simulate", "--yes", "--by", "T-04", "--db", db)
    assert benchward("calibrate", "plate", *options).exit_code == 0
    values = stored(db, "plate").values
    assert values["gain"] == pytest.approx(1 / 0.992, abs=2e-3)
    assert values["offset_c"] == pytest.approx(-0.6 / 0.992, abs=0.1)


@pytest.mark.parametrize(
    ("points", "reason"),
    [
        ("0=0.5,20=20.5", "a gain needs 30 °C"),
        ("0=0,100=80", "gain"),
        ("0=9", "offset"),
        ("0=100,100=0", "rise"),
    ],
)
def test_nonsense_is_refused_with_its_reason_and_stores_nothing(
    benchward: Call, tmp_path: Path, points: str, reason: str
) -> None:
    """Exit code 1, the reason in words, no file."""
    db = tmp_path / "n.db"
    result = benchward("calibrate", "plate", "--points", points, "--by", "T-04", "--db", db)
    assert (result.exit_code, result.stdout, db.exists()) == (1, "", False)
    assert reason in result.stderr


@pytest.mark.parametrize(
    ("options", "part"),
    [
        ((), "No point"),
        (("--points", "0:1"), "'0:1'"),
        (("--points", "0=0,100=100"), "--by is missing"),
        (("--points", "0=0", "--by", "T 04"), "'T 04'"),
        (("--boil", "--by", "T-04"), "--pressure HPA or --altitude M"),
        (("--boil", "--pressure", "20", "--dry-run"), "20"),
        (("--ice", "--simulate", "--by", "T-04"), "does not go into the station's own journal"),
    ],
)
def test_wrong_use_says_what_would_be_right(benchward: Call, options: tuple[str, ...], part: str) -> None:
    """Exit code 2 before anything is sampled."""
    result = benchward("calibrate", "plate", *options)
    assert (result.exit_code, result.stdout) == (2, "")
    assert part in result.stderr


def test_dry_run_stores_nothing(benchward: Call, tmp_path: Path) -> None:
    """The result is shown all the same."""
    db = tmp_path / "n.db"
    result = benchward("calibrate", "plate", "--points", "0=0.5,100=100", "--dry-run", "--db", db)
    assert (result.exit_code, db.exists()) == (0, False)
    assert "Nothing stored" in result.stdout


def test_calibration_waits_for_a_station_that_writes(benchward: Call, tmp_path: Path) -> None:
    """The journal has one writer at a time."""
    db = tmp_path / "n.db"
    running = Ledger(db)
    result = benchward("calibrate", "plate", "--points", "0=0,100=100", "--by", "T-04", "--db", db)
    running.close()
    assert result.exit_code == 1
    assert "another station writes this journal" in result.stderr


def test_extraction_band_is_learned_and_stored(benchward: Call, tmp_path: Path) -> None:
    """Floor, band and thresholds in order; thresholds of 0.60 and 0.43 of the current are own choices."""
    db = tmp_path / "n.db"
    options = ("--off", STILL_OFF, "--on", STEADY_ON, "--by", "T-04", "--db", db)
    result = benchward("calibrate", "extraction", *options)
    assert result.exit_code == 0, result.stderr
    values = stored(db, "extraction").values
    assert values["floor_a"] == pytest.approx(0.008)
    assert values["floor_a"] < values["lost_a"] < values["proven_a"] < values["low_a"] < values["running_a"]
    assert values["running_a"] < values["high_a"]
    assert "[limits.extraction]" in result.stdout


def test_extraction_that_cannot_be_told_from_its_floor_says_what_to_change(
    benchward: Call, tmp_path: Path
) -> None:
    """Half an ampere of noise over a fan of as much: more turns or a smaller transformer."""
    db = tmp_path / "n.db"
    weak = ",".join(["0.06"] * 10)
    options = ("--off", ",".join(["0.05"] * 10), "--on", weak, "--by", "T-04", "--db", db)
    result = benchward("calibrate", "extraction", *options)
    assert (result.exit_code, db.exists()) == (1, False)
    assert "more turns" in result.stderr
    assert "smaller transformer" in result.stderr


def test_simulated_fan_is_learned(benchward: Call, tmp_path: Path) -> None:
    """The simulated fan runs at 0.42 A."""
    db = tmp_path / "n.db"
    options = ("--simulate", "--yes", "--seconds", "5", "--by", "T-04", "--db", db)
    assert benchward("calibrate", "extraction", *options).exit_code == 0
    assert stored(db, "extraction").values["running_a"] == pytest.approx(0.42, abs=0.01)


@pytest.mark.parametrize(
    ("now_ms", "months", "due"),
    [
        (1_772_440_000_000, 12, "2027-03-02T08:26:40.000Z"),
        (1_769_904_000_000, 1, "2026-03-01T00:00:00.000Z"),
        (1_769_817_600_000, 1, "2026-02-28T00:00:00.000Z"),
    ],
)
def test_due_is_so_many_calendar_months_later(now_ms: int, months: int, due: str) -> None:
    """A day the month lacks becomes its last."""
    assert due_after(now_ms, months) == due


def test_old_record_is_judged_by_the_newest_calibration(
    benchward: Call, tmp_path: Path, traces: Path
) -> None:
    """A trace recorded untrimmed, then a calibration: --retrim latest moves its figures by both."""
    db = tmp_path / "n.db"
    assert benchward("replay", traces / "open-thermocouple.csv", "--db", db).exit_code == 0
    assert benchward("heat", "DP-1043", "--db", db, "--retrim", "latest").exit_code == 2
    benchward("calibrate", "plate", "--points", "0=0.75,99.2=98.5", "--by", "T-04", "--db", db)
    means = [
        json.loads(benchward("heat", "DP-1043", "--db", db, "--format", "json", *options).stdout)["mean_c"]
        for options in ((), ("--retrim", "latest"))
    ]
    assert means[1] == pytest.approx(1.0148338 * means[0] - 0.7611253, abs=0.002)
    assert "judged anew" in benchward("heat", "DP-1043", "--db", db, "--retrim", "1.01,-0.5").stdout
    assert benchward("heat", "DP-1043", "--db", db, "--retrim", "hot").exit_code == 2


def test_station_takes_its_learned_band_from_the_record(benchward: Call, tmp_path: Path) -> None:
    """Band from the calibration, thresholds from the settings; a band in the settings stands."""
    db = tmp_path / "n.db"
    benchward("calibrate", "extraction", "--off", STILL_OFF, "--on", STEADY_ON, "--by", "T-04", "--db", db)
    settings = Settings(journal=JournalSettings(path=str(db)))
    values = stored(db, "extraction").values
    found, known = calibrated(settings)
    limits = found.limits.extraction
    assert (limits.low_a, limits.high_a) == (values["low_a"], values["high_a"])
    assert (limits.proven_a, limits.lost_a) == (0.25, 0.18)
    assert set(known) == {"extraction"}
    own = replace(settings.limits.extraction, low_a=0.3, high_a=0.5)
    kept, _ = calibrated(replace(settings, limits=replace(settings.limits, extraction=own)))
    assert kept.limits.extraction.high_a == 0.5


def test_a_current_switch_has_nothing_to_learn(benchward: Call, tmp_path: Path) -> None:
    """Refused before anybody is asked to switch anything."""
    file = tmp_path / "s.toml"
    file.write_text('[wires.extraction]\nkind = "contact"\n')
    result = benchward("calibrate", "extraction", "--dry-run", "--simulate", "--settings", file)
    assert (result.exit_code, result.stdout) == (2, "")
    assert "nothing to learn" in result.stderr
