"""What the interface tells of the record: pages, figures, the heat trace, and refusals of bad queries."""

import csv
import io

import pytest

from shared.alarm_performance import performance
from shared.history import History
from shared.timeline import rfc3339


def walked(call, path: str, limit: int):
    """All items of a list, page by page; and how many came in each page."""
    items, sizes, after = [], [], ""
    while True:
        page = call(f"{path}limit={limit}{after}").json
        items += page["items"]
        sizes.append(len(page["items"]))
        if page["next_after"] is None:
            return items, sizes
        after = f"&after={page['next_after']}"


@pytest.mark.parametrize("limit", [1, 2, 7, 1000])
def test_pages_tell_every_event_once(call, journal, limit: int) -> None:
    """Whatever the page's size, its walk tells what the record holds, in order, and ends."""
    with History(journal) as history:
        whole = [dated.to_dict() for dated in history.events()]
    items, sizes = walked(call, "/events?", limit)
    assert items == whole
    assert all(size == limit for size in sizes[:-1])
    assert 0 < sizes[-1] <= limit


def test_events_are_chosen_by_kind_unit_and_time(call) -> None:
    """Conditions add up; the end is excluded; an offset from UTC counts."""
    kinds = [each["kind"] for each in call("/events?unit=U-2").json["items"]]
    assert kinds == ["unit-booked-in", "unit-placed", "unit-removed", "unit-closed"]
    assert len(call("/events?kind=unit-booked-in").json["items"]) == 2
    span = "from=2026-03-02T09:08:20%2B01:00&to=2026-03-02T08:08:21Z"
    assert [each["kind"] for each in call(f"/events?{span}").json["items"]] == ["unit-closed"]


def test_units_are_told_with_their_steps(call) -> None:
    """Both stays in order, chosen by outcome and by model."""
    first, second = walked(call, "/units?", 1)[0]
    assert (first["unit"], first["model"], first["job"], first["outcome"]) == (
        "U-1",
        "oled",
        "J-9",
        "delivered",
    )
    assert first["steps"] == [{"step": "frame-off", "result": "pass"}, {"step": "solder", "result": "pass"}]
    assert first["booked_in"] == "2026-03-02T08:00:01.000Z"
    assert call("/units?outcome=scrapped&model=lcd").json["items"] == [second]
    assert call("/units?outcome=open").json == {"items": [], "next_after": None}


def test_unit_tells_attempts_and_alarms(call) -> None:
    """Who did what with which finding, and the alarm in it, with times."""
    told = call("/units/U-1").json
    assert told["attempts"][0] == {
        "step": "frame-off", "attempt": 1, "technician": "T-4", "started": "2026-03-02T08:00:05.000Z",
        "ended": "2026-03-02T08:06:40.000Z", "result": "pass", "findings": {"grade": "A"},
    }  # fmt: skip
    assert [alarm["alarm"] for alarm in told["alarms"]] == ["plate-high"]


def test_heat_is_what_the_record_says(call, journal) -> None:
    """The figures of the heat history, unchanged, with every key that the contract names."""
    with History(journal) as history:
        assert call("/units/U-1/heat").json == history.heat("U-1")
    assert set(call("/units/U-1/heat").json) == {
        "unit", "intervals", "duration_s", "coverage", "gaps", "peak_c", "mean_c", "time_above_s",
        "max_rise_c_per_min", "mean_kinetic_c", "equivalent_min_at_100c", "heat_cycles", "by_step",
        "unseen",
    }  # fmt: skip


def test_heat_trace_is_csv_and_leaves_gaps_empty(call) -> None:
    """Second by second while the unit lay on the plate (5 to 401 s); ten without a reading are empty."""
    answer = call("/units/U-1/heat", accept="text/csv")
    assert answer.mimetype == "text/csv"
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert [int(row["mono_s"]) for row in rows] == list(range(5, 402))
    assert [row["mono_s"] for row in rows if row["plate_mean_c"] == ""] == [str(at) for at in range(200, 210)]
    assert rows[0] == {
        "at": "2026-03-02T08:00:05.000Z", "boot": "one", "mono_s": "5", "plate_mean_c": "30.0",
        "plate_max_c": "30.0", "valid_s": "1.0",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("accept", "mimetype"),
    [
        ("*/*", "application/json"),
        ("text/csv;q=0.5, application/json", "application/json"),
        ("text/csv, application/json;q=0.9", "text/csv"),
        ("image/png", "application/problem+json"),
    ],
)
def test_heat_comes_as_it_is_wanted(call, accept: str, mimetype: str) -> None:
    """What the caller would rather have, and 406 for what there is not (RFC 9110, 12.5.1)."""
    answer = call("/units/U-1/heat", accept=accept)
    assert answer.mimetype == mimetype
    assert answer.status_code == (406 if "problem" in mimetype else 200)


def test_alarms_tell_their_lives(call) -> None:
    """The one alarm, chosen by when it was raised."""
    (alarm,) = call("/alarms").json["items"]
    times = [alarm[key] for key in ("raised", "acknowledged", "returned", "closed", "put_aside")]
    assert times == [*(rfc3339(1772438400000 + 1000 * at) for at in (150, 160, 170, 170)), None]
    assert alarm["active"] is False
    assert call("/alarms?from=2026-03-02T08:02:31Z").json["items"] == []
    assert len(call("/alarms?to=2026-03-02T08:02:31Z").json["items"]) == 1
    assert call(f"/alarms?after={alarm['seq']}").json["items"] == []


def test_performance_is_that_of_the_rules(call, journal) -> None:
    """The published figures as they are reckoned elsewhere."""
    with History(journal) as history:
        assert call("/alarms/performance").json == performance(history.told(), history.spans()).to_dict()


def test_extraction_tells_hours_and_proof(call) -> None:
    """600 s of current above 0.25 A; proven from 410 s until the last reading, the soldering in it."""
    told = call("/extraction").json
    assert told["hours_run"] == pytest.approx(600 / 3600)
    assert told["hours_without_current"] == 0
    assert told["hours_proven"] == pytest.approx(190 / 3600)
    assert told["hours_soldering"] == pytest.approx(60 / 3600)
    assert told["soldering_proven_share"] == 1


def test_extraction_of_a_period_knows_what_stood_before(call) -> None:
    """A period that begins while a solder step runs in proven air counts the rest of it, with proof."""
    told = call("/extraction?from=2026-03-02T08:07:20Z&to=2026-03-02T08:07:50Z").json
    assert told["hours_run"] == pytest.approx(30 / 3600)
    assert told["hours_proven"] == pytest.approx(30 / 3600)
    assert told["hours_soldering"] == pytest.approx(
        30 / 3600
    )  # from 440 to 470 s, though no event lies in it
    told = call("/extraction?from=2026-03-02T08:07:20Z").json
    assert told["hours_soldering"] == pytest.approx(40 / 3600)
    assert told["soldering_proven_share"] == 1


@pytest.mark.parametrize(
    ("path", "place"),
    [
        ("/events?limit=0", "limit"),
        ("/events?limit=1001", "limit"),
        ("/events?limit=many", "limit"),
        ("/events?after=-1", "after"),
        ("/events?limit=1&limit=2", "limit"),
        ("/events?from=yesterday", "from"),
        ("/events?from=2026-03-02T08:00:00", "from"),
        ("/events?from=2026-03-03T00:00:00Z&to=2026-03-02T00:00:00Z", "to"),
        ("/events?form=2026-03-03T00:00:00Z", None),
        ("/units?unit=a%20b", "unit"),
        ("/units/U-1?from=2026-03-02T08:00:00Z", "from"),
    ],
)
def test_bad_query_is_refused_with_its_place(call, path: str, place: str | None) -> None:
    """A wrong value or an unknown name is a 422 that says where; nothing is passed over."""
    answer = call(path)
    assert answer.status_code == 422
    assert answer.mimetype == "application/problem+json"
    assert (answer.json["status"], answer.json["title"]) == (422, "Unprocessable Entity")
    assert answer.json.get("at") == place


@pytest.mark.parametrize("path", ["/units/U-9", "/units/U-9/heat", "/units/a%20b", "/nothing"])
def test_what_is_not_there_is_a_problem(call, path: str) -> None:
    """404 with what was looked for."""
    answer = call(path)
    assert (answer.status_code, answer.mimetype) == (404, "application/problem+json")
    assert answer.json["type"] == "about:blank"


def test_wrong_method_names_the_right_ones(call) -> None:
    """405 with Allow (RFC 9110, 15.5.6)."""
    answer = call("/units", "DELETE")
    assert answer.status_code == 405
    assert "GET" in answer.headers["Allow"]


def test_record_that_is_not_there_is_no_fault_of_the_caller(call, app) -> None:
    """503 and when to try again."""
    app.config["RECORD"] = None
    answer = call("/units")
    assert (answer.status_code, answer.headers["Retry-After"]) == (503, "30")
