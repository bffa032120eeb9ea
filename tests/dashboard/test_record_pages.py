"""Pages made from the record: a recorded morning, shown, searched, printed as CSV."""

import csv
import html
import io
import re
import xml.etree.ElementTree as ElementTree

import pytest
from morning import DAY_MS, record_morning, told

from dashboard.app import create_app
from dashboard.drawing import thinned, time_step_s
from dashboard.people import People
from shared import events
from shared.timeline import Moment
from station.journal.ledger import BootClock, Ledger, Told

RANGE = "from=2026-03-02&to=2026-03-02"


@pytest.fixture(scope="module")
def journal(tmp_path_factory):
    """A database of a morning."""
    path = tmp_path_factory.mktemp("pages") / "bench.db"
    record_morning(path)
    return path


@pytest.fixture
def client(board, journal):
    """The pages over that database; nobody can sign in, so everybody may read."""
    app = create_app(board, None, journal)
    app.testing = True
    return app.test_client()


def words(answer):
    """The page's text without its tags."""
    assert answer.status_code == 200, answer.text
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.text))


def test_units_are_listed_searched_and_filtered(client):
    """The newest first; a search in units and jobs; filters by model and outcome."""
    text = words(client.get("/units"))
    assert text.index("U-2") < text.index("U-1")
    assert "2 found" in text
    for query, found in (("q=J-9", "U-1"), ("model=lcd", "U-2"), ("outcome=delivered", "U-1")):
        text = words(client.get(f"/units?{query}"))
        assert "1 found" in text
        assert found in text


def test_units_show_yield_and_compare_without_a_verdict(client):
    """One of two delivered; the comparison has its sample sizes."""
    text = words(client.get("/units"))
    assert "frame-off 1 1 100%" in text
    assert "oled 1 1 100%" in text
    assert "lcd 0 1 0%" in text
    assert "Went well: delivered, done, repaired, returned. Every other outcome counts as not." in text
    assert "of the 500 units closed last" in text
    assert "(1 units)" in text


def test_a_unit_shows_its_steps_figures_gap_and_curve(client):
    """Findings, technician, heat figures, the gap in words, a chart with step and alarm."""
    answer = client.get("/units/U-1")
    text = words(answer)
    assert "grade: A" in text
    assert "T-4" in text
    assert "Hottest 104.0 °C" in text
    assert "10 s without a reading" in text
    chart = re.search(r'<svg class="chart".*?</svg>', answer.text, re.S)[0]
    drawn = ElementTree.fromstring(chart)
    traces = [element for element in drawn if element.get("class") == "trace"]
    assert len(traces) == 2  # the gap is not bridged
    assert "frame-off" in chart
    assert "<title>plate high</title>" in chart
    assert '<svg xmlns="http://www.w3.org/2000/svg"' in answer.text or 'class="code"' in answer.text


def test_an_unknown_unit_is_said_in_words(client):
    """Not a bare code."""
    answer = client.get("/units/U-77")
    assert answer.status_code == 404
    assert "never booked in" in answer.text
    assert client.get("/units/<script>").status_code == 404


def test_review_leads_with_soldering_under_proof(client):
    """The figure that matters first; then everything else of the day."""
    text = words(client.get(f"/review?{RANGE}"))
    assert "100 % of 1 min 00 s of soldering (1 time) were with proven extraction" in text
    assert "start solder Extraction is not proven T-4" in text
    assert "plate high medium U-1 10 s 20 s closed" in text
    assert "105.4 °C" in text
    assert "0.5 mL counted" in text
    assert "their chain unbroken" in text
    assert "Nobody soldered" not in text


def test_review_is_not_green_where_proof_was_lost_under_somebodys_hands(board, tmp_path):
    """The step was held in the same moment, so no second is without proof; the headline still says it."""
    path = tmp_path / "lost.db"
    ledger = Ledger(path)
    ledger.write([
        BootClock("one", DAY_MS),
        told(0, events.StationStarted(station="bench-1", version="v", sheet="s")),
        told(1, events.UnitBookedIn(unit="U-1", model="oled"), events.ExtractionProven()),
        told(10, events.StepStarted(unit="U-1", step="solder", attempt=1, technician="T-4")),
        told(40, events.ExtractionLost(reason="low-current"),
             events.StepHeld(unit="U-1", step="solder", alarm="extraction-lost")),
        told(50, events.StepAbandoned(unit="U-1", step="solder", reason="fan")),
    ])  # fmt: skip
    ledger.close()
    answer = create_app(board, None, path).test_client().get(f"/review?{RANGE}")
    assert "100 % of 30 s of soldering" in words(answer)
    assert "proof was lost once while somebody soldered" in words(answer)
    assert 'class="headline tone-amber"' in answer.text
    assert "tone-green" not in answer.text


def test_review_of_another_day_is_empty_and_says_so(client):
    """Sentences, not bare tables."""
    text = words(client.get("/review?from=2026-03-03&to=2026-03-04"))
    assert "Nobody soldered in these days." in text
    assert "No alarm was raised." in text


@pytest.mark.parametrize(
    ("query", "message"),
    [
        ("from=yesterday", "from is &#39;yesterday&#39;, not a day"),
        ("from=2026-03-05&to=2026-03-02", "before it begins"),
        ("from=2020-01-01&to=2026-03-02", "too long"),
    ],
)
def test_review_of_nonsense_days_says_what_is_wrong(client, query, message):
    """What, and what would be right."""
    answer = client.get(f"/review?{query}")
    assert answer.status_code == 404
    assert message in answer.text


def test_every_table_of_the_review_is_to_be_had_as_csv(client):
    """Each link on the page leads to rows with the columns that the page shows."""
    page = client.get(f"/review?{RANGE}").text
    links = re.findall(r'href="(/review/[a-z]+\.csv\?[^"]+)"', page)
    assert len(links) >= 6
    for link in links:
        answer = client.get(link.replace("&amp;", "&"))
        assert answer.mimetype == "text/csv"
        rows = list(csv.reader(io.StringIO(answer.text)))
        assert len(rows) > 1
        assert len({len(row) for row in rows}) == 1
    assert client.get("/review/nonsense.csv").status_code == 404


def test_every_table_that_the_review_shows_has_its_csv_below_it(client):
    """How the alarms serve too; its cells are those of the page."""
    page = client.get(f"/review?{RANGE}").text
    assert page.count("<table>") == len(re.findall(r'href="/review/[a-z]+\.csv\?', page))
    rows = list(csv.reader(io.StringIO(client.get(f"/review/performance.csv?{RANGE}").text)))
    assert rows[0] == ["figure", "value", "beside the benchmark"]
    shown = page[page.index("How the alarms serve") :].partition("</table>")[0]
    cells = [html.unescape(cell) for cell in re.findall(r"<t[hd][^>]*>([^<]*)</t[hd]>", shown)]
    assert [cell for row in rows for cell in row] == cells


def test_a_tables_csv_holds_no_formula(board, tmp_path):
    """What a stranger asked at the broker is text in the safety lead's spreadsheet."""
    path = tmp_path / "formula.db"
    ledger = Ledger(path)
    refused = events.RequestRefused(request="=cmd|'/C calc'!A0", reasons=["unknown-request"])
    ledger.write([BootClock("one", DAY_MS), told(0, refused)])
    ledger.close()
    answer = create_app(board, None, path).test_client().get(f"/review/refusals.csv?{RANGE}")
    rows = list(csv.reader(io.StringIO(answer.text)))
    assert rows[1][1] == "'=cmd|'/C calc'!A0"


def test_curve_is_to_be_had_as_points_with_its_gap(client):
    """Seconds, mean, lowest, highest; nothing where nothing was read."""
    points = client.get(f"/curve.json?from={DAY_MS}&to={DAY_MS + 600_000}").json["points"]
    assert points[0] == [DAY_MS / 1000, 25.0, 25.0, 25.0]
    nothing = [at_s - DAY_MS / 1000 for at_s, mean, _, _ in points if mean is None]
    assert nothing == [200.0, 600.0]
    assert client.get("/curve.json?from=now&to=2").status_code == 404
    assert client.get("/curve.json?from=5&to=2").status_code == 404


def test_without_a_record_the_pages_say_how_to_get_one(board):
    """The bench page works; the others name the option."""
    app = create_app(board)
    app.testing = True
    answer = app.test_client().get("/units")
    assert answer.status_code == 404
    assert "--db FILE" in answer.text


def test_review_is_for_the_safety_lead_once_people_can_sign_in(board, journal, tmp_path):
    """Nobody reads it without signing in."""
    people = People(tmp_path / "people.db")
    app = create_app(board, people, journal)
    app.testing = True
    answer = app.test_client().get("/review")
    people.close()
    assert (answer.status_code, answer.location) == (302, "/sign-in?next=/review")


def test_thinning_keeps_every_peak():
    """Of ten thousand points a hundredth stays, the highest and the lowest among them."""
    points = [(float(at), 20.0 + at % 17) for at in range(10_000)]
    points[7777] = (7777.0, 140.0)
    points[2222] = (2222.0, -5.0)
    kept = thinned(points, 100)
    assert len(kept) < 110
    assert {(7777.0, 140.0), (2222.0, -5.0)} <= set(kept)
    assert kept == sorted(kept)


@pytest.mark.parametrize(("span_s", "step_s"), [(60, 10), (1200, 120), (86_400, 21_600), (10**9, 2_592_000)])
def test_time_rulers_have_at_most_ten_marks_where_that_can_be(span_s, step_s):
    """Steps that people say: seconds, minutes, hours, days."""
    assert time_step_s(span_s) == step_s


def test_a_signature_stands_with_the_days_it_is_for(board, tmp_path):
    """Signed on the Monday after: it is found in the review of those days, and in no other."""
    path = tmp_path / "bench.db"
    record_morning(path)
    head = "ab" * 32
    ledger = Ledger(path)
    signed = events.ReviewSigned(period="2026-03-02/2026-03-08", head=head, technician="S-01")
    ledger.write([BootClock("later", DAY_MS + 7 * 86_400_000), Told(Moment("later", 1000), (signed,))])
    ledger.close()
    app = create_app(board, None, path)
    app.testing = True
    client = app.test_client()
    for days, signed in (
        (RANGE, True),
        ("from=2026-02-20&to=2026-03-02", True),
        ("from=2026-03-08&to=2026-03-09", True),
        ("from=2026-03-09&to=2026-03-30", False),
        ("from=2026-02-20&to=2026-03-01", False),
    ):
        page = words(client.get(f"/review?{days}"))
        assert (head in page) is signed, days
        assert ("Nobody has signed for these days." in page) is not signed
