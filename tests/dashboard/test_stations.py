"""All stations, and a day of one, over a real collected database in an SQLite file."""

import re

import pytest
from collecting import clock_set, event, reading

from dashboard.app import create_app
from dashboard.collected import Collected, LastSeen, Minute
from dashboard.collector.rows import row_of
from dashboard.collector.store import Store
from dashboard.stations import drawing_of
from shared.problems import InputError

ZERO_S = 1_772_440_000  # 2026-03-02T08:26:40Z by GNU date


def fill(url: str) -> None:
    """Station a: 200 s dated, a gap of an hour, a minute; two events with two missing. b: undated."""
    store = Store(url, clock=lambda: ZERO_S + 5000)
    told = [reading("a", second) for second in [*range(200), *range(3800, 3860)]]
    told += [clock_set("a", 1, 1000, 1000 * (ZERO_S + 1)), event("a", 4, 3_859_000)]
    told += [reading("b", second, boot="b2") for second in range(10)]
    store.write([row_of(each) for each in told])
    store.close()


@pytest.fixture(scope="module")
def url(tmp_path_factory):
    """A filled database."""
    url = f"sqlite:///{tmp_path_factory.mktemp('past')}/all.db"
    fill(url)
    return url


@pytest.fixture
def client(board, url):
    """Pages over it, and a board without people."""
    return create_app(board, collected=Collected(url)).test_client()


def words(answer) -> str:
    """The page's text."""
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.text))


def test_last_seen_is_the_newest_record(url):
    """By the boot's offset; b was first heard 5000 s after the zero, and nothing dated it."""
    assert Collected(url).last_seen() == [
        LastSeen("a", ZERO_S + 3859, dated=True),
        LastSeen("b", ZERO_S + 5000 + 9, dated=False),
    ]


def test_minutes_are_means_and_extremes_of_their_seconds(url):
    """The first whole minute of a, against plain arithmetic on what was sent: 20 °C + s / 100."""
    found = Collected(url).minutes("a", ZERO_S + 20, ZERO_S + 80)
    assert len(found) == 1
    assert found[0].at_s == ZERO_S + 20
    assert found[0].mean_c == pytest.approx(20 + sum(range(20, 80)) / 60 / 100)
    assert (found[0].min_c, found[0].max_c) == pytest.approx((20.2, 20.79))


def test_every_station_is_listed_with_its_last_words(client, bench):
    """Live ones by the broker, others by what was collected."""
    bench.say()
    text = words(client.get("/stations"))
    assert "3 in all" in text
    assert "collected 2026-03-02 09:30:59" in text
    assert "about 2026-03-02 09:50:09" in text
    assert "heard 0 s ago" in text


def test_the_collected_database_is_looked_at_every_ten_seconds_at_most(board, clock, tmp_path):
    """However many lists fetch themselves: a station collected since then comes ten seconds later."""
    url = f"sqlite:///{tmp_path}/all.db"
    fill(url)
    client = create_app(board, collected=Collected(url)).test_client()
    assert "2 in all" in words(client.get("/stations"))
    store = Store(url, clock=lambda: ZERO_S + 9000)
    store.write([row_of(reading("c", 1, boot="c1"))])
    store.close()
    clock.now_s += 9.9
    assert "2 in all" in words(client.get("/stations"))
    clock.now_s += 0.1
    assert "3 in all" in words(client.get("/stations"))


def test_a_day_shows_the_plate_the_events_and_what_is_missing(client):
    """Two stretches, for the gap stays open; the newest event first."""
    answer = client.get("/stations/a?day=2026-03-02")
    assert answer.text.count('class="trace"') == 2
    text = words(answer)
    assert "events 2 to 3 are missing" in text
    assert text.index("2026-03-02 09:30:59 4") < text.index("2026-03-02 08:26:41 1")


def test_another_day_is_empty(client):
    """In words."""
    text = words(client.get("/stations/a?day=2026-03-03"))
    assert "No valid reading" in text
    assert "No event was collected" in text


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/stations/a?day=x", 404),
        ("/stations/a%20b", 404),
        ("/stations/a?day=0001-01-01", 404),
        ("/stations/no", 200),
    ],
)
def test_nonsense_is_answered_in_words(client, path, status):
    """No trace of an error on the page."""
    answer = client.get(path)
    assert answer.status_code == status
    assert "Traceback" not in answer.text


def test_without_a_collected_database_the_list_still_shows_what_is_live(board, bench):
    """And the day says how to start it."""
    bench.say()
    client = create_app(board).test_client()
    assert "1 in all" in words(client.get("/stations"))
    answer = client.get("/stations/bench-1")
    assert (answer.status_code, "--collected URL" in answer.text) == (404, True)


def test_a_file_that_is_not_there_is_not_made(tmp_path):
    """Wrong use, said at the start."""
    with pytest.raises(InputError, match="no such file"):
        Collected(f"sqlite:///{tmp_path}/all.db")
    assert not list(tmp_path.iterdir())


def test_a_lone_minute_is_drawn():
    """As a stroke of a minute's length."""
    drawing = drawing_of([Minute(0, 20.0, 19.0, 21.0)], 0)
    assert drawing is not None
    assert "L" in drawing.lines[0]
    assert drawing_of([Minute(0, None, None, None)], 0) is None
