"""The bench as words and shapes: what the templates print, worked out from a snapshot.

The laws of the page: a number is shown only while the station is live and its quality is good; whatever is
not known is said in words; no meaning rests on colour alone.
"""

from dashboard.acts import UNSEEN, alarm_act, alarm_acts, bench_acts, fields, other_acts
from dashboard.band import band, bottle_text
from dashboard.board import Liveness, Snapshot
from dashboard.drawing import Drawing, Frame, Tick, line, thinned
from dashboard.parts import (
    ActsView,
    AirView,
    AlarmView,
    BenchView,
    BottleView,
    Dial,
    EventView,
    HandView,
    IronView,
    LampView,
    LockView,
    PlateView,
)
from dashboard.words import (
    ALARM_STATES,
    NO_NUMBER,
    capital,
    clock_text,
    duration_text,
    event_text,
    held_because,
    moment_text,
    plain,
)
from shared.indication import Indication, Lamp, Sound
from shared.messages import (
    AlarmState,
    CommissioningState,
    ExtractionState,
    Lock,
    PlateState,
    StationState,
    StepState,
    VapourState,
)
from shared.wording import reason_text

EVENTS_SHOWN = 12
TRACE_S, TRACE_GAP_S, TRACE_STEP_S = 600, 5, 5
LADDER_LOW_C, LADDER_HIGH_C = 0.0, 160.0
LADDER_LEFT, LADDER_WIDTH = 20.0, 560.0

LAMPS = (
    ("red", "When lit: danger, act at once"),
    ("amber", "When lit: look; do not solder"),
    ("green", "When lit: the iron may be used"),
    ("blue", "When lit: it waits for you"),
)
LAMP_MODES = {
    Lamp.OFF: "dark",
    Lamp.STEADY: "lit",
    Lamp.SLOW: "flashes slowly",
    Lamp.FAST: "flashes fast",
}
PRIORITIES = ("critical", "high", "medium", "low")


def bench_view(snapshot: Snapshot, liveness: Liveness) -> BenchView:
    """The bench as it may be shown: everything while it is live, else only what is history."""
    state = snapshot.state
    events = tuple(
        EventView(at=event.at, time=moment_text(event.at), text=event_text(event.body))
        for event in snapshot.events[: -EVENTS_SHOWN - 1 : -1]
    )
    head = band(snapshot, liveness)
    if state is None or liveness is not Liveness.LIVE:
        return BenchView(
            station=snapshot.station,
            live=False,
            band=head,
            events=events,
            lamps=_lamps(None),
            as_of=_last_heard(state),
            last_heard=_last_heard(state),
            plate=PlateView(note="No reading while the station is not heard"),
        )
    return BenchView(
        station=snapshot.station,
        live=True,
        band=head,
        note=_commissioning(state.commissioning),
        as_of=f"As of {moment_text(state.at)}" if state.at else "The station's clock is not set",
        last_heard=_last_heard(state),
        plate=_plate(state.plate),
        air=_air(state.extraction),
        bottle=_bottle(state.solvent_out, state.vapour),
        hand=_hand(state),
        iron=_iron(state),
        locks=tuple(_lock(lock) for lock in state.locked),
        alarms=_alarms(state.alarms),
        alarm_acts=alarm_acts(state.alarms),
        acts=ActsView(bench=bench_acts(state), others=other_acts(state), fields=fields(state)),
        trace=_trace(snapshot, state),
        lamps=_lamps(state.indication),
        sound=_sound(state.indication.sound),
        events=events,
    )


NOT_COMMISSIONED = {
    "never": "nobody has walked through the wiring yet",
    "failed": "the last walk through the wiring found a fault",
    "wires-changed": "the wires' settings have changed since the wiring was walked through",
}


def _commissioning(found: CommissioningState | None) -> str:
    """What is to be said about the wiring; nothing where it is as it was walked through."""
    if found is None or (found.commissioned and found.shift_passed is not False):
        return ""
    if not found.commissioned:
        return f"Not commissioned: {NOT_COMMISSIONED.get(found.reason or '', 'not known why')}."
    return f"The last check before a shift, by {found.shift_by or 'somebody'}, found a fault."


def ladder_x(celsius: float) -> float:
    """Where a temperature stands on the ladder drawing; beyond its ends, at the end."""
    share = (celsius - LADDER_LOW_C) / (LADDER_HIGH_C - LADDER_LOW_C)
    return round(LADDER_LEFT + LADDER_WIDTH * min(1.0, max(0.0, share)), 1)


def _plate(plate: PlateState) -> PlateView:
    band_x, width, setpoint = None, 0.0, "No setpoint: no heat step is running"
    if plate.setpoint_c is not None:
        spread = plate.tolerance_c or 0.0
        band_x = ladder_x(plate.setpoint_c - spread)
        width = round(ladder_x(plate.setpoint_c + spread) - band_x, 1)
        setpoint = f"Setpoint {plate.setpoint_c:g} °C" + (f" ± {spread:g} °C" if spread else "")
    if plate.plate_c is None or plate.quality != "good":
        note = reason_text(plate.quality if plate.quality != "good" else "unknown")
        return PlateView(note=note, setpoint=setpoint, band_x=band_x, band_width=width)
    return PlateView(
        number=f"{plate.plate_c:.1f}",
        note=_where(plate) if plate.setpoint_c is not None else "",
        sure="" if plate.uncertainty_c is None else f"± {plate.uncertainty_c:.1f} °C (k = 2)",
        panel=_panel(plate),
        doubtful=False,
        setpoint=setpoint,
        pointer_x=ladder_x(plate.plate_c),
        band_x=band_x,
        band_width=width,
    )


def _trace(snapshot: Snapshot, state: StationState) -> Drawing | None:
    """The plate over the last ten minutes, as far as this page's server has heard it."""
    now_s = state.mono_s // TRACE_STEP_S * TRACE_STEP_S  # the drawing moves on now and then, not every second
    heard = [(at_s, plate_c) for at_s, plate_c in snapshot.trace if 0 <= now_s - at_s <= TRACE_S]
    known = [plate_c for _, plate_c in heard if plate_c is not None]
    if len(known) < 2:
        return None
    frame = Frame(now_s - TRACE_S, now_s, min(20.0, *known), max(120.0, *known))
    lines: list[str] = []
    run: list[tuple[float, float]] = []
    for at_s, plate_c in [*heard, (now_s, None)]:
        if plate_c is not None and (not run or at_s - run[-1][0] <= TRACE_GAP_S):
            run.append((at_s, plate_c))
            continue
        if len(run) > 1:
            lines.append(line(frame, thinned(run, 240)))
        run = [] if plate_c is None else [(at_s, plate_c)]
    columns = tuple(Tick(frame.x(now_s - back_s), f"-{back_s // 60} min") for back_s in (540, 360, 180))
    return Drawing(
        title="Plate over the last ten minutes, °C", lines=tuple(lines), rows=frame.rows(), columns=columns
    )


def _where(plate: PlateState) -> str:
    """Inside or outside the band, and how long until inside."""
    if plate.at_setpoint:
        return "Inside the band"
    if plate.ready_plate_s:
        return f"Plate ready in {clock_text(plate.ready_plate_s)}"
    return "Outside the band"


def _panel(plate: PlateState) -> str:
    """The panel's estimate in words; never shown as a measurement."""
    if plate.panel_c is None:
        return ""
    text = f"Panel about {plate.panel_c:.0f} °C (estimate)"
    if plate.panel_at_setpoint:
        return f"{text}: at temperature"
    if plate.ready_panel_s:
        return f"{text}: ready in {clock_text(plate.ready_panel_s)}"
    return text


def _last_heard(state: StationState | None) -> str:
    return f"Last heard {moment_text(state.at)}" if state is not None and state.at else ""


def _air(air: ExtractionState) -> AirView:
    believed = air.extraction_a is not None and air.quality == "good"
    return AirView(
        word="Proven" if air.proven else "Not proven",
        shape="yes" if air.proven else "no",
        since=f"for {duration_text(air.since_s)}",
        amperes=f"{air.extraction_a:.2f}" if believed else NO_NUMBER,
        note="" if believed else reason_text(air.quality if air.quality != "good" else "unknown"),
    )


def _bottle(out: bool | None, vapour: VapourState | None) -> BottleView:
    word, shape, note = "In its cradle", "yes", ""
    if out is None:
        word, shape = "Cannot be read", "unknown"
        note = "Treat the bottle as open until the cradle answers."
    elif out:
        word, shape = "Out of its cradle", "no"
    if vapour is None:
        return BottleView(word=word, shape=shape, note=note)
    return BottleView(
        word=word,
        shape=shape,
        note=note,
        vapour=f"Vapour about {vapour.lel_share:.0%} of the explosive limit (estimate)",
        breathed=(
            f"Breathed about {vapour.short_term_ppm:.0f} ppm over 15 min (limit "
            f"{vapour.short_term_limit_ppm:g}), {vapour.long_term_ppm:.0f} over 8 h (limit "
            f"{vapour.long_term_limit_ppm:g})"
        ),
        assumes=f"No measurement: {vapour.assumes}. Reckoned for {duration_text(vapour.watched_s)}.",
    )


def _hand(state: StationState) -> HandView:
    technician = f"Technician {state.technician}" if state.technician else "Nobody is signed in"
    place = f"On the plate: {state.on_plate}" if state.on_plate else "The plate is empty"
    step = state.step
    return HandView(
        unit=state.unit or "No unit in hand",
        model=state.model or "",
        place=place,
        technician=technician,
        step=step.title if step else "No step is running",
        motion="" if step is None else "Held" if step.held else "Running",
        shape="unknown" if step is None else "held" if step.held else "running",
        why=_why(step) if step else (),
        dials=_dials(step) if step else (),
    )


def _why(step: StepState) -> tuple[str, ...]:
    """Why a held step waits, and what speaks against a running one without forbidding it."""
    return (*(held_because(step) if step.held else ()), *(reason_text(code) for code in step.warnings))


def _dials(step: StepState) -> tuple[Dial, ...]:
    timed = (
        _dial("Soak", step.soak_s, step.soak_due_s, False),
        _dial("Open time", step.open_s, step.open_due_s, True),
        _dial("Cure", step.cure_s, step.cure_due_s, False),
    )
    running = _dial("Since the start", step.elapsed_s, step.max_s, True)
    return tuple(dial for dial in (running, *timed) if dial is not None)


def _dial(label: str, gone_s: float | None, due_s: float | None, limit: bool) -> Dial | None:
    """A clock towards its due time; ``limit``: a time not to pass, rather than one to reach."""
    if gone_s is None and due_s is None:
        return None
    text = NO_NUMBER if gone_s is None else clock_text(gone_s)
    if due_s is None or due_s <= 0 or gone_s is None:
        return Dial(label=label, text=text, due=f"of {clock_text(due_s)}" if due_s else None)
    late = limit and gone_s > due_s
    ending = ": too long" if late else ": done" if gone_s >= due_s and not limit else ""
    return Dial(
        label=label,
        text=text,
        due=f"of {clock_text(due_s)}{ending}",
        share=round(min(1.0, max(0.0, gone_s / due_s)), 3),
        late=late,
    )


def _iron(state: StationState) -> IronView:
    if state.permit and (bottle := bottle_text(state)):
        return IronView(word="Do not use it", shape="no", reasons=(bottle, "The iron has power."))
    if state.permit:
        return IronView(word="May be used", shape="yes")
    codes = [code for lock in state.locked if lock.what == "iron-power" for code in lock.reasons]
    reasons = [reason_text(code) for code in codes[:1]]
    if len(codes) > 1:
        reasons.append(f"And {len(codes) - 1} more, among what is locked.")
    return IronView(word="Locked: no power", shape="locked", reasons=tuple(reasons))


def _lock(lock: Lock) -> LockView:
    reasons = tuple(reason_text(code) for code in lock.reasons)
    return LockView(title=lock.title, reasons=reasons or ("The station gives no reason.",))


def _alarms(alarms: list[AlarmState]) -> tuple[AlarmView, ...]:
    """Most urgent first; a priority without a rank of its own comes first of all."""
    rank = {priority: place for place, priority in enumerate(PRIORITIES)}
    ordered = sorted(alarms, key=lambda alarm: (rank.get(alarm.priority, -1), alarm.since_s))
    return tuple(
        AlarmView(
            priority=alarm.priority,
            title=alarm.title,
            text="Its cause does not stand now." if alarm.rests else alarm.text,
            state=ALARM_STATES.get(alarm.state, capital(plain(alarm.state))),
            since=f"for {duration_text(alarm.since_s)}",
            unseen=alarm.state in UNSEEN,
            act=alarm_act(alarm),
        )
        for alarm in ordered
    )


def _lamps(indication: Indication | None) -> tuple[LampView, ...]:
    modes = {colour: getattr(indication, colour, None) for colour, _ in LAMPS}
    return tuple(
        LampView(
            colour=colour,
            meaning=meaning,
            mode=modes[colour] or "unknown",
            words=LAMP_MODES.get(modes[colour] or Lamp.OFF, "") if modes[colour] else "not known",
        )
        for colour, meaning in LAMPS
    )


def _sound(sound: Sound) -> str:
    if sound is Sound.NONE:
        return "The buzzer is quiet"
    if sound is Sound.REFUSED:
        return "The buzzer says: refused"
    return f"The buzzer sounds: {sound.value}"
