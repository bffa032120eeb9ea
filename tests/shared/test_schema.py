"""Schemas: a new file and a migrated one are the same; a filled old one keeps every row."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from alembic.util import CommandError
from click.testing import CliRunner
from sqlalchemy import inspect

from shared import events
from shared.database import migrating_engine, reading_engine, writing_engine
from shared.history import History
from shared.messages import Second
from shared.problems import FailureError, InputError
from shared.records import SCHEMA_VERSION, Base
from shared.schema import create_tables, migrate
from shared.timeline import Moment
from station.cli import main
from station.journal.audit import audit
from station.journal.claim import Claim
from station.journal.ledger import BootClock, Ledger, Told
from station.journal.migrating import bring_up_to_date


def shape(path: Path) -> dict:
    """Everything the database says of its tables: columns, keys, checks, indexes, row ids."""
    engine = reading_engine(path)
    found = inspect(engine)
    tables = {}
    for table in sorted(Base.metadata.tables):
        keys = ("name", "nullable", "default", "primary_key")
        columns = [(str(c["type"]), *(c[key] for key in keys)) for c in found.get_columns(table)]
        tables[table] = {
            "columns": columns,
            "pk": found.get_pk_constraint(table),
            "fks": sorted(found.get_foreign_keys(table), key=str),
            "checks": sorted(found.get_check_constraints(table), key=str),
            "unique": found.get_unique_constraints(table),
            "indexes": sorted(found.get_indexes(table), key=str),
            "rowid": found.get_table_options(table),
        }
    engine.dispose()
    return tables


def migrated(path: Path, to: int = SCHEMA_VERSION) -> Path:
    """An empty file brought to a schema by the steps alone."""
    engine = migrating_engine(path)
    migrate(engine, path, to)
    engine.dispose()
    return path


def test_new_file_and_migrated_file_have_the_same_shape(tmp_path):
    """Whatever the models say, the steps make."""
    new = tmp_path / "new.db"
    engine = writing_engine(new)
    create_tables(engine, new)
    engine.dispose()
    assert shape(new) == shape(migrated(tmp_path / "steps.db"))


def fill_first_schema(path: Path) -> None:
    """A database of schema 1 with two boots, events in their chain, readings, units, placements, a cursor."""
    source = path.with_name("source.db")
    ledger = Ledger(source)
    ledger.write(
        [
            BootClock("one", 1_772_440_000_000),
            Told(Moment("one", 0), (events.UnitBookedIn(unit="U", model="m"), events.UnitTaken(unit="U"))),
            Told(Moment("one", 10), (events.UnitPlaced(unit="U"),)),
            *(second("one", at, 20.0 + at) for at in range(7300)),
            second("one", 7301, None),
            Told(Moment("one", 7_200_000), (events.UnitRemoved(unit="U"),)),
            Told(Moment("two", 5), (events.SignedIn(technician="T"),)),
            *(second("two", at, 90.0) for at in range(30)),
        ]
    )
    ledger.close()
    migrated(path, 1)
    with closing(sqlite3.connect(path)) as made:
        made.execute("ATTACH ? AS source", (str(source),))
        for table in ("events", "readings", "units", "steps", "placements", "cursors"):
            made.execute(f"INSERT INTO {table} SELECT * FROM source.{table}")
        made.execute("INSERT INTO boots SELECT id, boot, wall_offset_ms FROM source.boots")
        made.commit()


def second(boot: str, at: int, plate_c: float | None) -> Second:
    """A second of record."""
    return Second(
        boot=boot, second=at, plate_mean_c=plate_c, plate_min_c=plate_c, plate_max_c=plate_c,
        cold_junction_c=25.0, extraction_a=0.4, solvent_out=at % 2 == 0,
        quality="good" if plate_c else "open-circuit", valid_ms=1000 if plate_c else 0,
    )  # fmt: skip


def test_filled_database_keeps_everything_when_migrated(tmp_path):
    """Every row, the chain, the foreign keys; roll-ups are made; the file as it was is kept beside it."""
    path = tmp_path / "old.db"
    fill_first_schema(path)
    with closing(sqlite3.connect(path)) as before:
        kept_tables = ("events", "readings", "placements")
        rows = {table: before.execute(f"SELECT * FROM {table}").fetchall() for table in kept_tables}
    done = bring_up_to_date(path)
    assert (done.before, done.after) == (1, SCHEMA_VERSION)
    assert done.kept is not None
    with closing(sqlite3.connect(path)) as after, closing(sqlite3.connect(done.kept)) as kept:
        for table, found in rows.items():
            assert after.execute(f"SELECT * FROM {table}").fetchall() == found
            assert kept.execute(f"SELECT * FROM {table}").fetchall() == found
        assert kept.execute("PRAGMA user_version").fetchone() == (1,)
        assert after.execute("SELECT count(*), sum(seconds) FROM minutes").fetchone() == (123, 7331)
        assert after.execute("PRAGMA foreign_key_check").fetchall() == []
    with History(path) as history:
        assert history.verify().problem is None
    audit(path)


def test_copy_of_an_earlier_try_is_not_taken_for_todays(tmp_path):
    """Half a copy that a power cut left stays what it is; today's is made beside it, whole."""
    path = tmp_path / "old.db"
    fill_first_schema(path)
    left = tmp_path / "old.db.schema-1"
    left.write_bytes(b"half a copy")
    done = bring_up_to_date(path)
    assert left.read_bytes() == b"half a copy"
    assert done.kept is not None
    assert done.kept != left
    with closing(sqlite3.connect(done.kept)) as kept:
        assert kept.execute("PRAGMA user_version").fetchone() == (1,)
        assert kept.execute("SELECT count(*) FROM readings").fetchone() == (7331,)
    assert list(tmp_path.glob(".*.part*")) == []


def test_damaged_file_is_not_migrated(tmp_path):
    """What cannot be copied whole is left as it is, and no copy of it is taken for a backup."""
    path = tmp_path / "old.db"
    fill_first_schema(path)
    raw = bytearray(path.read_bytes())
    raw[len(raw) // 2 : len(raw) // 2 + 8192] = b"\xff" * 8192
    path.write_bytes(raw)
    with pytest.raises(FailureError, match=r"damaged|copied before"):
        bring_up_to_date(path)
    assert path.read_bytes() == raw
    assert list(tmp_path.glob("*.schema-*")) == []


def test_migrate_command_tells_from_and_to(tmp_path):
    """Dry, nothing changes; beside a running station it is refused; else it names schemas and copy."""
    path = tmp_path / "old.db"
    fill_first_schema(path)
    before = path.read_bytes()
    dry = CliRunner().invoke(main, ["migrate", "--db", str(path), "--dry-run"])
    assert (dry.exit_code, dry.stdout) == (0, f"{path}: schema 1; would be brought to schema 4\n")
    assert path.read_bytes() == before
    claim = Claim(path)
    refused = CliRunner().invoke(main, ["migrate", "--db", str(path)])
    claim.release()
    assert (refused.exit_code, path.read_bytes() == before) == (1, True)
    assert "another station writes this journal" in refused.output
    done = CliRunner().invoke(main, ["migrate", "--db", str(path), "--roll-up"])
    assert done.exit_code == 0
    assert f"from schema 1 to 4; as it was: {path}.schema-1" in done.stdout
    assert "minutes and hours of 2 boots made anew" in done.stdout
    audit(path)


def test_migrating_again_does_nothing(tmp_path):
    """The second time there is nothing to do, and no copy is made."""
    path = tmp_path / "old.db"
    fill_first_schema(path)
    bring_up_to_date(path)
    before = path.read_bytes()
    assert bring_up_to_date(path).kept is None
    assert path.read_bytes() == before


def test_failed_migration_leaves_the_file_as_it_was(tmp_path):
    """A step that meets what it does not expect: nothing of it stays."""
    path = tmp_path / "old.db"
    fill_first_schema(path)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE hours (surprise)")
        connection.commit()
        before = connection.execute("SELECT sql FROM sqlite_master ORDER BY name").fetchall()
    with pytest.raises(FailureError, match="cannot be migrated to version 4: table hours already exists"):
        bring_up_to_date(path)
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT sql FROM sqlite_master ORDER BY name").fetchall() == before
        assert connection.execute("PRAGMA user_version").fetchone() == (1,)


def test_dangling_reference_stops_a_migration(tmp_path):
    """The check after the steps names the table and the row."""
    path = tmp_path / "old.db"
    fill_first_schema(path)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("INSERT INTO placements VALUES (99, 'U', 1, 0, NULL)")
        connection.commit()
    with pytest.raises(FailureError, match="placements row 99 points at events, which lacks it"):
        bring_up_to_date(path)
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (1,)


def test_reader_of_an_older_file_is_told_what_to_do(tmp_path):
    """And one of a newer program's is told whose it is."""
    path = migrated(tmp_path / "old.db", 1)
    with pytest.raises(InputError, match=r"schema version is 1, .* benchward migrate --db"):
        History(path)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA user_version = 99")
    with pytest.raises(InputError, match="a newer program wrote it"):
        History(path)
    with pytest.raises(InputError, match="a newer program's"):
        bring_up_to_date(path)


def test_station_that_starts_on_an_older_file_brings_it_up_to_date(tmp_path):
    """Opening for writing migrates, keeps the old file, and the chain goes on."""
    path = tmp_path / "old.db"
    fill_first_schema(path)
    ledger = Ledger(path)
    seq = ledger.seq
    ledger.write([Told(Moment("three", 0), (events.SignedOut(),))])
    ledger.close()
    assert path.with_name("old.db.schema-1").exists()
    with History(path) as history:
        assert history.verify().count == seq + 1


def test_backup_of_an_older_schema_is_restored_as_it_is(tmp_path):
    """Out of the archive into a new version's place, the archived copy unread by anything but the copying."""
    path, archive, place = tmp_path / "old.db", tmp_path / "archive.db", tmp_path / "bench.db"
    fill_first_schema(path)
    run = CliRunner().invoke
    made = run(main, ["backup", str(archive), "--db", str(path)])
    assert (made.exit_code, made.stderr) == (0, "")
    assert "Its schema is 1; a station that starts on it brings it to 4" in made.stdout
    before = archive.read_bytes()
    ledger = Ledger(place)
    ledger.write([Told(Moment("new", 0), (events.SignedOut(),))])
    ledger.close()
    back = run(main, ["restore", str(archive), "--db", str(place)])
    assert (back.exit_code, back.stderr) == (0, "")
    assert "5 events, read back whole" in back.stdout
    assert "Its schema is 1" in back.stdout
    assert archive.read_bytes() == before
    with closing(sqlite3.connect(place)) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (1,)
    ledger = Ledger(place)
    assert ledger.seq == 5
    ledger.write([Told(Moment("three", 0), (events.SignedOut(),))])
    ledger.close()
    audit(place)
    with History(place) as history:
        assert history.verify().count == 6


def test_backup_of_a_broken_older_chain_is_refused(tmp_path):
    """An older schema is read back as well as today's."""
    path = tmp_path / "old.db"
    fill_first_schema(path)
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("UPDATE events SET body = replace(body, '\"T\"', '\"X\"')")
    for words in (["backup", str(tmp_path / "copy.db")], ["restore", str(path)]):
        place = path if words[0] == "backup" else tmp_path / "bench.db"
        refused = CliRunner().invoke(main, [*words, "--db", str(place)])
        assert (refused.exit_code, "was changed" in refused.stderr) == (1, True)
    assert not (tmp_path / "bench.db").exists()


@pytest.mark.parametrize("version", [0, 99, -1])
def test_copy_of_no_known_schema_is_refused(tmp_path, version):
    """Neither a newer program's file nor somebody else's is put in a station's place."""
    path = tmp_path / "old.db"
    fill_first_schema(path)
    with closing(sqlite3.connect(path)) as connection:
        connection.execute(f"PRAGMA user_version = {version}")
    for words in (["backup", str(tmp_path / "copy.db")], ["restore", str(path)]):
        place = path if words[0] == "backup" else tmp_path / "bench.db"
        refused = CliRunner().invoke(main, [*words, "--db", str(place)])
        assert (refused.exit_code, f"schema version is {version}" in refused.stderr) == (2, True)
    assert not (tmp_path / "bench.db").exists()


def test_there_is_a_step_for_every_schema(tmp_path):
    """The newest step leads to the schema the models have."""
    with pytest.raises(CommandError):
        migrated(tmp_path / "beyond.db", SCHEMA_VERSION + 1)
