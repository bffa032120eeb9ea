"""The band across the top of a bench's page: its state in one word, one shape, one colour and one line.

The band follows the station light, so that the page and the light never contradict each other; an alarm can
only make it more urgent, never less.
"""

import msgspec

from dashboard.board import LOST_AFTER_S, Liveness, Snapshot
from dashboard.words import clock_text, held_because
from shared.indication import Indication, Lamp, Sound
from shared.messages import AlarmState, StationState
from shared.wording import reason_text

URGENCY = ("grey", "green", "blue", "amber", "red")
SHAPES = {"grey": "broken", "green": "yes", "blue": "hand", "amber": "warn", "red": "stop"}
ALARM_TONES = {"critical": "red", "high": "amber", "medium": "amber"}
ALARM_ORDER = ("low", "medium", "high", "critical")


class Band(msgspec.Struct, frozen=True, kw_only=True):
    """The band: ``tone`` names its colour, ``shape`` its drawing."""

    tone: str
    shape: str
    word: str
    line: str


def band(snapshot: Snapshot, liveness: Liveness) -> Band:
    """The band of a bench."""
    if snapshot.state is not None and liveness is Liveness.LIVE:
        return _live(snapshot.state)
    return _not_live(snapshot, liveness)


def _not_live(snapshot: Snapshot, liveness: Liveness) -> Band:
    name = snapshot.station
    if liveness is Liveness.STOPPED:
        status = snapshot.status
        because = f" ({status.reason})" if status is not None and status.reason else ""
        line = f"{name} has stopped{because}. Nothing watches the bench."
        return Band(tone="grey", shape="broken", word="Off", line=line)
    if liveness is Liveness.NEVER:
        line = f"{name} has not been heard yet. Nothing is known of the bench."
        return Band(tone="grey", shape="broken", word="Unheard", line=line)
    if liveness is Liveness.CUT_OFF:
        line = f"These pages are cut off from {name}. Go by the bench and its light."
        return Band(tone="grey", shape="broken", word="Lost", line=line)
    line = f"Nothing from {name} for more than {LOST_AFTER_S:g} s. Go by the bench and its light."
    return Band(tone="grey", shape="broken", word="Lost", line=line)


def _live(state: StationState) -> Band:
    standing = [
        alarm for alarm in state.alarms if alarm.state not in ("shelved", "suppressed", "out-of-service")
    ]
    light = "blue" if state.indication.sound is Sound.TEST else _light_tone(state.indication)
    tones = [light, *(ALARM_TONES.get(each.priority, "grey") for each in standing)]
    tone = max(tones, key=URGENCY.index)
    return Band(
        tone=tone,
        shape=SHAPES[tone],
        word=_word(tone, state, standing),
        line=_line(tone, state, standing),
    )


def _light_tone(light: Indication) -> str:
    """The most urgent colour that is lit; grey when all is dark."""
    lit = [tone for tone in URGENCY[1:] if getattr(light, tone) is not Lamp.OFF]
    return lit[-1] if lit else "grey"


def _word(tone: str, state: StationState, standing: list[AlarmState]) -> str:
    if state.indication.sound is Sound.TEST:
        return "Test"
    if tone == "amber" and not standing:
        if state.permit and state.solvent_out is not False and not _open_time_ends(state):
            return "Bottle out" if state.solvent_out else "Look"
        return "Hurry" if _open_time_ends(state) else "Look" if state.permit else "Iron locked"
    if tone in ("green", "blue") and state.step is not None:
        return "Held" if state.step.held else "At work" if tone == "green" else "Your turn"
    return {"red": "Stop", "amber": "Look", "blue": "Your turn", "green": "Ready", "grey": "Dark"}[tone]


def _line(tone: str, state: StationState, standing: list[AlarmState]) -> str:
    if state.indication.sound is Sound.TEST:
        return "Every lamp and the buzzer are being tried: the light says nothing about the bench now."
    if standing:
        first = max(standing, key=_rank)
        more = f" (and {len(standing) - 1} more)" if len(standing) > 1 else ""
        return f"{first.title}{more}"
    if tone == "grey":
        return "No lamp is lit: do not trust the station."
    step = state.step
    if step is not None and step.held:
        return f"{step.title}. {held_because(step)[0]}"
    if step is not None and tone == "amber" and _open_time_ends(state):
        clocks = f"{clock_text(step.open_s or 0.0)} of {clock_text(step.open_due_s or 0.0)}"
        return f"The open time is running out: {clocks}"
    if state.permit and tone == "amber" and (bottle := bottle_text(state)):
        return f"Do not solder. {bottle}"
    if step is not None:
        return step.title
    if not state.permit:
        codes = [code for lock in state.locked if lock.what == "iron-power" for code in lock.reasons]
        return " ".join(reason_text(code) for code in codes) or "The iron has no power."
    return "No step is running" if state.unit else "No unit in hand"


def bottle_text(state: StationState) -> str:
    """What is to be done about the solvent bottle before anybody solders; nothing where it is put back."""
    if state.solvent_out is None:
        return "The cradle of the solvent bottle cannot be read: take the bottle as open until it can."
    return reason_text("solvent-out") if state.solvent_out else ""


def _open_time_ends(state: StationState) -> bool:
    """Whether an adhesive lies open for more than half of its time; the light says when to warn."""
    step = state.step
    return step is not None and bool(step.open_due_s) and (step.open_s or 0.0) > (step.open_due_s or 0.0) / 2


def _rank(alarm: AlarmState) -> int:
    return ALARM_ORDER.index(alarm.priority) if alarm.priority in ALARM_ORDER else len(ALARM_ORDER)
