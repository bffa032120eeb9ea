"""Sheets to print and cut: a card for each request, a label for each unit, each a code for the scanner.

A code holds the request itself as text, so that any reader that types what it reads will do.
"""

import segno
from flask import Blueprint, current_app, render_template, request
from flask.typing import ResponseReturnValue
from markupsafe import Markup

from dashboard.access import Role, opens_to
from shared.requests import is_identifier
from shared.sheet import Sheet, Step

MOST_LABELS = 60
cards = Blueprint("cards", __name__)
_ALWAYS = (
    ("Acknowledge: seen", "ack"),
    ("Buzzer off", "silence"),
    ("Go on with the step", "resume"),
    ("Reset the alarms", "reset"),
    ("On the plate", "place"),
    ("Off the plate", "remove"),
    ("I took 1 mL solvent", "dispense ml=1"),
    ("I took 5 mL solvent", "dispense ml=5"),
    ("Test lamps and buzzer", "lamp-test"),
    ("I stop working here", "sign-out"),
)


@cards.get("/cards")
@opens_to(*Role)
def request_cards() -> ResponseReturnValue:
    """A card for each step's start and end, and for what is always asked."""
    sheet: Sheet = current_app.config["SHEET"]
    rows = [(step.title, _step_cards(step)) for step in sheet.step]
    always = [(title, text, code(text)) for title, text in _ALWAYS]
    return render_template("cards.html", rows=rows, always=always, sheet=sheet.label)


def _step_cards(step: Step) -> list[tuple[str, str, Markup]]:
    texts = (
        ("Start", f"start step={step.key}"),
        ("Pass", f"finish step={step.key} result=pass"),
        ("Fail", f"finish step={step.key} result=fail"),
    )
    return [(title, text, code(text)) for title, text in texts]


@cards.get("/labels")
@opens_to(*Role)
def unit_labels() -> ResponseReturnValue:
    """A label for each unit named: scanning it takes the unit in hand."""
    named = [name.strip() for name in request.args.get("units", "").replace("\n", ",").split(",")]
    units = [name for name in named if is_identifier(name)][:MOST_LABELS]
    refused = [name for name in named if name and not is_identifier(name)]
    labels = [(name, f"take unit={name}", code(f"take unit={name}")) for name in units]
    return render_template("labels.html", labels=labels, asked=", ".join(named), refused=refused)


def code(text: str) -> Markup:
    """A QR code as SVG, without width and height of its own; holds only what `print_text` may write."""
    made = segno.make(text, error="m", micro=False)
    return Markup(made.svg_inline(scale=1, border=2, omitsize=True, svgclass="code", lineclass=None))
