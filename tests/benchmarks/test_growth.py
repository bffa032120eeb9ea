"""The short form of the two commands that measure: each figure is taken once, on little; not judged."""

import growth
import pytest
import where_time_goes

pytestmark = pytest.mark.benchmark


def test_every_figure_has_its_floor(tmp_path, monkeypatch) -> None:
    """A day and three of record, one station and three: no figure is missing from a column."""
    monkeypatch.setattr(growth, "MESSAGES", 600)
    monkeypatch.setattr(growth, "REQUESTS", 3)
    tick, by_record, by_stations = growth.run([1, 3], [1, 3], tmp_path, tmp_path)
    for part, columns in (
        (tick, [""]),
        (by_record, ["1 days", "3 days"]),
        (by_stations, ["1 stations", "3 stations"]),
    ):
        names = {at: [figure.what for figure in part if figure.at == at] for at in columns}
        assert all(names[at] == names[columns[0]] for at in columns)
        assert sum(map(len, names.values())) == len(part)
        measured = [figure for figure in part if figure.unit != "% of a core"]  # of which little may be none
        assert all(figure.ours > 0 and figure.floor > 0 for figure in measured)
    assert len({figure.what for figure in by_record}) >= 18


def test_where_the_time_goes_adds_up_to_all_of_it(tmp_path, monkeypatch) -> None:
    """Rooms share out the whole of a tick; the slowest question is the first, and is looked into."""
    monkeypatch.setattr(where_time_goes, "TICKS", 200)
    took_s, shares = where_time_goes.ticks(tmp_path)
    assert took_s > 0
    assert sum(share for _, share in shares.rooms) == pytest.approx(1)
    assert dict(shares.rooms)["station/rules"] > 0.1
    growth.make_year(tmp_path / "day.db", 1, 14)
    record = growth.Record(tmp_path / "day.db", 1)
    times, worst = where_time_goes.slowest(record)
    changed = where_time_goes.improved(record, tmp_path)
    record.close()
    assert [seconds for _, seconds in times] == sorted((seconds for _, seconds in times), reverse=True)
    assert worst.all_s > 0
    assert "a later review of a day" in changed
    assert all(min(before_s, after_s) > 0 for before_s, after_s in changed.values())
