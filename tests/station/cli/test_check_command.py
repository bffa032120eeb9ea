"""`benchward check`: verdicts, the record, and refusals."""

import json

import pytest
from click.testing import CliRunner

from station.cli import main
from station.settings import Wires


def rows(result):
    """Verdicts printed as JSON lines."""
    return {row["check"]: row["verdict"] for row in map(json.loads, result.stdout.splitlines())}


def test_walk_passes_and_is_recorded_when_signed(benchward, tmp_path):
    """One verdict a line; the record has name, verdicts, figures, and a fingerprint no real wires have."""
    db = tmp_path / "b.db"
    result = benchward("check", "--simulate", "--yes", "--by", "S-01", "--db", db, "--format", "jsonl")
    assert result.exit_code == 0, result.stderr
    verdicts = rows(result)
    assert set(verdicts.values()) == {"passed"}
    assert "permit-killed" in verdicts
    event = json.loads(benchward("log", "--db", db, "--format", "jsonl").stdout)
    assert (event["kind"], event["by"], event["passed"], event["verdicts"]) == (
        "commissioned", "S-01", True, verdicts,
    )  # fmt: skip
    assert event["wires"] == Wires().digest(simulated=True) != Wires().digest()
    assert event["values"]["on_a"] == pytest.approx(0.42, rel=0.05)  # what the simulated fan draws
    assert benchward("verify", "--db", db).exit_code == 0


def test_fault_gives_exit_code_1_and_is_recorded_all_the_same(benchward, tmp_path):
    """What failed is on record too: the station goes on saying that it is not commissioned."""
    db = tmp_path / "b.db"
    flaw = ("--fault", "no-monostable", "--fault", "plate-swapped")
    result = benchward("check", "--simulate", "--yes", "--by", "S-01", "--db", db, *flaw)
    assert result.exit_code == 1
    assert "plate-polarity, heartbeat, permit-killed failed" in result.stderr
    assert "FAILED  heartbeat" in result.stdout
    event = json.loads(benchward("log", "--db", db, "--format", "jsonl").stdout)
    assert (event["passed"], event["verdicts"]["heartbeat"]) == (False, "failed")


@pytest.mark.parametrize(("signature", "stored"), [("y", True), ("n", False)])
def test_answers_come_from_stdin_when_not_scripted(tmp_path, signature, stored):
    """Without --yes a person answers; one "n" fails that check alone, and nothing unsigned is stored."""
    db = tmp_path / "b.db"
    lamps_buzzer_dark, permit, death = "ynyyyy", "yyy", "yy"
    answers = "\n".join([*lamps_buzzer_dark, *permit, *death, signature]) + "\n"
    words = ["check", "--simulate", "--by", "S-01", "--db", str(db), "--format", "jsonl"]
    result = CliRunner().invoke(main, words, input=answers)
    assert result.exit_code == 1, result.stderr
    assert [name for name, outcome in rows(result).items() if outcome == "failed"] == ["lamp-amber"]
    assert db.exists() is stored


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--yes", "--dry-run"), "--yes goes with --simulate"),
        (("--fault", "plate-open", "--dry-run"), "it goes with --simulate"),
        (("--simulate",), "--by is missing"),
        (("--simulate", "--by", "a b"), "--by is 'a b'"),
        (("--simulate", "--by", "S-01"), "does not go into the station's own journal"),
        (("--shift", "--by", "T-04", "--dry-run"), "recorded by the running station"),
    ],
)
def test_wrong_use_is_refused(benchward, words, says):
    """Before anything is driven, with exit code 2."""
    result = benchward("check", *words)
    assert (result.exit_code, says in result.stderr) == (2, True), result.stderr


@pytest.mark.parametrize(
    ("flaw", "failed"),
    [
        (None, []),
        ("amber-dead", ["lamps"]),
        ("buzzer-dead", ["buzzer"]),
        ("permit-welded", ["permit-drops"]),
        ("permit-dead", ["permit-drops"]),
        ("plate-open", ["plate", "lamps", "permit-drops"]),
        ("extraction-unplugged", ["extraction", "permit-drops"]),
    ],
)
def test_shift_check_finds_what_is_wrong(benchward, flaw, failed):
    """Through the whole station: the rules prove the fan and drop the permit."""
    words = () if flaw is None else ("--fault", flaw)
    result = benchward("check", "--shift", "--simulate", "--yes", "--by", "T-04", "--format", "jsonl", *words)
    assert result.exit_code == (1 if failed else 0), result.stderr
    assert [name for name, outcome in rows(result).items() if outcome == "failed"] == failed
    assert "Recorded by the station" in result.stderr
