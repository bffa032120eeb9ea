"""The table of faults: what can befall a bench, and what must be seen of it.

The words of a row are those of `scene.Scene` and `reachable.Reach`. Each row names why that must be seen:
`rules` is the cause-and-effect table as it is printed in deploy/rules.md; `README` what people are promised
there; `decision` one of DEVELOPERS.md; ISA-18.2 for the life of an alarm; datasheets by their number.
"""

from fault import NO_PAGE, Fault, Seen

# What a lamp says of one alarm that nobody has acknowledged (README, "What the light says").
CRITICAL, HIGH, LESS = "red fast, blue slow", "amber fast, blue slow", "amber slow, blue slow"
CRITICAL_AND_HIGH = "red fast, amber fast, blue slow"
CRITICAL_AND_LESS = "red fast, amber slow, blue slow"
FREE = "green steady"
LOCKED = "amber steady"

READY = ("station start", "wire fan on", "until permit")
SOLDERING = ("soldering",)
HEATING = ("heating",)
LIGHT = "README, What the light says"


def _plate(reason: str, **more) -> Seen:
    """The plate's sensor fault, by its reason."""
    seen = Seen(
        light=HIGH,
        sound="high",
        permit=False,
        no_later_s=1.0,
        events=(
            f"alarm-raised alarm=plate-sensor-fault priority=high reason={reason}",
            "permit-dropped reasons=plate-sensor-fault",
        ),
        broker=("alarm plate-sensor-fault unacknowledged", f"plate.quality={reason}", "plate.plate_c=none"),
        page=("high Plate sensor gives no reading", "Plate –"),
    )
    return seen._replace(**more)


WIRE_SOURCE = "rules: plate-sensor-fault; MAX31855 datasheet 19-5793, D0 to D17"
CHIP_FAULTS = tuple(
    Fault(name, "wire", WIRE_SOURCE, inject, _plate(reason), ready=READY, then=("wire heal", "wait 1", "wire button press"),
          back=Seen(light=FREE, permit=True, events=("alarm-returned alarm=plate-sensor-fault", "alarm-closed alarm=plate-sensor-fault")), short=name == "thermocouple-open")
    for name, inject, reason in (
        ("thermocouple-open", ("wire fault plate-open",), "open-circuit"),
        ("thermocouple-to-ground", ("wire fault plate-short-to-ground",), "short-to-ground"),
        ("thermocouple-to-supply", ("wire fault plate-short-to-supply",), "short-to-supply"),
        ("bus-all-zero", ("wire fault plate-dead",), "board-silent"),
        ("bus-all-ones", ("wire word 0xffffffff",), "board-silent"),
        ("reserved-bit-set", ("wire reserved",), "bad-frame"),
        ("bus-fails", ("wire fault plate-bus",), "bus-error"),
        ("reading-out-of-range", ("wire reads 600",), "out-of-range"),
        ("junction-out-of-range", ("wire reads 25 110",), "out-of-range"),
        ("reading-flails", ("wire flail 20 200",), "absurd-rate"),
    )
)  # fmt: skip

PLATE = (
    *CHIP_FAULTS,
    Fault(
        "frames-of-noise", "wire", "rules: plate-sensor-fault; a fault is a quality, never a number",
        ("wire fault plate-noise",), _plate("open-circuit", events=("alarm-raised alarm=plate-sensor-fault", "permit-dropped"), broker=("alarm plate-sensor-fault",)), ready=READY,
    ),
    Fault(
        "reading-frozen", "wire", "rules: plate-sensor-fault, the same word for frozen_s",
        ("wire fault plate-frozen",), _plate("frozen", no_later_s=7.0, within_s=20), ready=READY,
        settings={"limits.plate.frozen_s": 5.0},
    ),
    Fault(
        "single-spike", "wire", "rules: absurd rate costs one reading (decision 3), no alarm before fault_delay_s",
        ("wire spike 250", "wait 2"),
        Seen(light=FREE, permit=True, never=("alarm-raised",), broker=("plate.quality=good", "plate.faults.absurd-rate=1|2")), ready=READY, short=True,
    ),
    Fault(
        "leads-swapped", "wire", "decision 23: swapped leads are a fault",
        ("wire fault plate-swapped", "ask start step=separate", "wire cold 60"),
        _plate("mirrored-leads", no_later_s=0.0, within_s=25,
               events=("alarm-raised alarm=plate-sensor-fault reason=mirrored-leads", "step-held alarm=plate-sensor-fault")),
        ready=(*READY, "ask book-in unit=U-1 model=m", "wire heat 30"),
    ),
    Fault(
        "leads-shorted", "wire", "decision 23: a plate that reads as its own board is told as the reason of plate-not-heating",
        ("wire fault plate-shorted", "ask start step=separate", "wire heat 100"),
        Seen(light=LESS, sound="medium", events=("alarm-raised alarm=plate-not-heating priority=medium reason=pinned-to-cold-junction",),
             broker=("alarm plate-not-heating",), page=("medium Plate does not heat up",), within_s=30),
        ready=(*READY, "ask book-in unit=U-1 model=m"), speed=10.0, settings={"limits.plate.not_heating_window_min": 0.5},
    ),
    Fault(
        "sensor-lost-in-heat-step", "wire", "rules: plate-sensor-fault holds a heat step",
        ("wire fault plate-open",),
        _plate("open-circuit", events=("alarm-raised alarm=plate-sensor-fault", "step-held step=separate alarm=plate-sensor-fault"),
               broker=("step.held=true",), page=("high Plate sensor gives no reading",)),
        ready=HEATING,
    ),
)  # fmt: skip


def _lost(*more: str, light: str = CRITICAL, reason: str = "low-current", **rest) -> Seen:
    """Extraction lost while somebody solders."""
    return Seen(
        light=light,
        sound="critical",
        permit=False,
        no_later_s=1.0,
        events=(
            f"extraction-lost reason={reason}",
            "alarm-raised alarm=extraction-lost priority=critical unit=U-1 step=solder",
            "step-held step=solder alarm=extraction-lost",
            "permit-dropped reasons=critical-alarm",
            *more,
        ),
        broker=(
            "alarm extraction-lost unacknowledged",
            "extraction.proven=false",
            "step.held=true",
            "permit=false",
        ),
        page=("critical Extraction lost during the step", "Stop"),
    )._replace(**rest)


LOSS = "rules: extraction-lost; promise: off-delay + one tick (here with a window of 0.1 s)"
UNREADABLE_TOO = "alarm-raised alarm=extraction-sensor-fault priority=high"
EXTRACTION = (
    Fault(
        "extractor-dies", "wire", LOSS, ("wire fan off",), _lost(), ready=SOLDERING, short=True,
        then=("wire fan on", "until event extraction-proven", "wait 1.5", "wire button press", "wait 0.5", "ask resume"),
        back=Seen(light=FREE, permit=True, events=("alarm-acknowledged alarm=extraction-lost", "step-resumed", "permit-granted"), broker=("step.held=false", "permit=true")),
    ),
    Fault("extraction-unplugged", "wire", LOSS, ("wire fault extraction-unplugged",), _lost(), ready=SOLDERING),
    Fault("extractor-sags", "wire", LOSS, ("wire sag 0.1",), _lost(), ready=SOLDERING),
    Fault("converter-stuck-at-a-code", "wire", LOSS + "; a code that never moves is no alternating current", ("wire stuck",), _lost(), ready=SOLDERING),
    Fault(
        "extraction-bus-fails", "wire", LOSS + "; rules: extraction-sensor-fault", ("wire fault extraction-bus",),
        _lost(UNREADABLE_TOO, light=CRITICAL_AND_HIGH, reason="unreadable"), ready=SOLDERING,
    ),
    Fault(
        "extraction-board-silent", "wire", "rules: extraction-sensor-fault; code 0 is the end of the range (DS21295)",
        ("wire fault extraction-dead",), _lost(UNREADABLE_TOO, light=CRITICAL_AND_HIGH, reason="unreadable"), ready=SOLDERING,
    ),
    Fault(
        "extraction-clipped", "wire", "rules: extraction-sensor-fault, unreadable or clipped", ("wire clip",),
        _lost(UNREADABLE_TOO, light=CRITICAL_AND_HIGH, reason="unreadable",
              page=("high Extraction current cannot be read", "critical Extraction lost during the step")), ready=SOLDERING,
    ),
    Fault(
        "sampler-dies", "wire", "a window that is too old is no window (drivers/extraction.py)", ("wire sampler dies",),
        _lost(UNREADABLE_TOO, light=CRITICAL_AND_HIGH, reason="unreadable", no_later_s=1.4), ready=SOLDERING, untidy=True,
    ),
    Fault(
        "sampler-hangs", "wire", "a window that is too old is no window (drivers/extraction.py)", ("wire sampler hangs",),
        _lost(UNREADABLE_TOO, light=CRITICAL_AND_HIGH, reason="unreadable", no_later_s=1.4), ready=SOLDERING,
    ),
    Fault(
        "extractor-flickers", "wire", "decision 5: a critical alarm is in force until somebody has seen it; ISA-18.2, chattering",
        ("wire flicker 0.9 0.9", "wait 6"),
        Seen(light=CRITICAL, permit=False, sound="critical", broker=("alarm extraction-lost",), page=("critical Extraction lost during the step",),
             events=("1 alarm-raised alarm=extraction-lost", "1 permit-dropped", "1 permit-granted")), ready=SOLDERING, then=("wire steady",),
    ),
    Fault(
        "extractor-at-rest-unreadable", "wire", "rules: extraction-sensor-fault; unknown is never safe", ("wire fault extraction-bus",),
        Seen(light=HIGH, sound="high", permit=False, events=(UNREADABLE_TOO,), broker=("alarm extraction-sensor-fault", "extraction.extraction_a=none"),
             page=("high Extraction current cannot be read",)), ready=("station start", "wait 1"),
        then=("refused no-unit start step=solder", "refused extraction-not-proven start step=solder unit=U-9"),
    ),
    Fault(
        "current-switch-fails", "wire", "rules: extraction-sensor-fault, for a current switch", ("wire fault extraction-bus",),
        _lost(UNREADABLE_TOO, light=CRITICAL_AND_HIGH, reason="unreadable"), ready=SOLDERING, settings={"wires.extraction.kind": "contact"},
    ),
    Fault(
        "transducer-wire-breaks", "wire", "a live zero that is gone is a broken wire (measurement/rms.py)", ("wire fault extraction-unplugged",),
        _lost(UNREADABLE_TOO, light=CRITICAL_AND_HIGH, reason="unreadable"), ready=SOLDERING,
        settings={"wires.extraction.kind": "dc-level", "wires.extraction.zero_v": 0.4},
    ),
)  # fmt: skip

SWITCHES = (
    Fault(
        "cradle-wire-breaks", "wire", "a broken wire reads as bottle out (drivers/inputs.py); rules: solvent-at-iron",
        ("wire fault cradle-wire",),
        Seen(light=CRITICAL, sound="critical", permit=False, no_later_s=1.0, events=("solvent-lifted", "alarm-raised alarm=solvent-at-iron", "step-held alarm=solvent-at-iron"),
             broker=("alarm solvent-at-iron", "solvent_out=true"), page=("critical Solvent out while the iron is in use",)), ready=SOLDERING,
    ),
    Fault(
        "cradle-unreadable-at-start", "wire", "decision 7: an unknown cradle counts as out for a solder start, and raises no solvent alarm",
        ("wire unreadable cradle", "wait 1", "refused solvent-out start step=solder"),
        Seen(permit=True, events=("step-refused reasons=solvent-out",), never=("alarm-raised",), broker=("solvent_out=none",)),
        ready=(*READY, "ask book-in unit=U-1 model=m"),
    ),
    Fault(
        "cradle-unreadable-at-iron", "wire", "rules: solvent-at-iron, or unknown for the delay; unknown is never safe",
        ("wire unreadable cradle",),
        Seen(light=CRITICAL, sound="critical", permit=False, no_later_s=2.5, events=("alarm-raised alarm=solvent-at-iron", "step-held alarm=solvent-at-iron"),
             broker=("alarm solvent-at-iron", "solvent_out=none"), page=("critical Solvent out while the iron is in use",)), ready=SOLDERING,
    ),
    Fault(
        "button-stuck", "hands", "ISA-18.2: only an act acknowledges; a level is no act (drivers/inputs.py)",
        ("wire fault plate-open",),
        _plate("open-circuit", never=("alarm-acknowledged",)), ready=(*READY, "wire button hold", "wait 1"), then=("wait 2",), back=Seen(light=HIGH, never=("alarm-acknowledged",)),
    ),
    Fault(
        "button-wire-breaks", "hands", "ISA-18.2: an alarm nobody acknowledged stays so; a request acknowledges too",
        ("wire fault acknowledge-wire", "wire fault plate-open", "until event alarm-raised", "wire button press", "wait 1"),
        _plate("open-circuit", no_later_s=0.0, never=("alarm-acknowledged",)), ready=READY, then=("ask ack",),
        back=Seen(light="amber steady", events=("alarm-acknowledged alarm=plate-sensor-fault",), broker=("alarm plate-sensor-fault acknowledged",)),
    ),
    Fault(
        "button-bounces", "hands", "contact bounce is one press (drivers/inputs.py); nothing may grow without bound",
        ("wire fault plate-open", "until event alarm-raised", "wire button bounce", "wait 1"),
        Seen(light="amber steady", permit=False, events=("1 alarm-acknowledged alarm=plate-sensor-fault",), broker=("alarm plate-sensor-fault acknowledged",)), ready=READY,
    ),
    Fault(
        "lamp-cannot-be-driven", "wire", "a pin that cannot be written: all the others are (drivers/outputs.py)",
        ("wire undriven amber", "wire fan off"),
        Seen(permit=False, no_later_s=1.0, events=("permit-dropped reasons=extraction-not-proven", "extraction-lost"), log=("an output cannot be driven", "amber"),
             broker=("permit=false",), page=("Iron locked",)), ready=READY, untidy=True, end=1,
    ),
)  # fmt: skip

RULES = "rules: "
CAUSE_ROWS = (
    Fault(
        "plate-over-limit", "cause", RULES + "plate-over-limit", ("wire heat 135",),
        Seen(light=CRITICAL, sound="critical", permit=False, no_later_s=2.0,
             events=("alarm-raised alarm=plate-over-limit priority=critical", "step-held alarm=plate-over-limit", "permit-dropped reasons=plate-over-limit"),
             broker=("alarm plate-over-limit unacknowledged", "step.held=true"), page=("critical Plate over its limit",)), ready=HEATING, short=True,
        then=("wire heat 90", "until event alarm-returned alarm=plate-over-limit", "wire button press", "wait 0.5"),
        back=Seen(light="red steady, blue steady", permit=False, broker=("alarm plate-over-limit latched-acknowledged",)),
        settings={"limits.plate.return_delay_s": 1.0},
    ),
    Fault(
        "plate-above-band", "cause", RULES + "plate-high; a deviation does not hold the step", ("wire heat 108",),
        Seen(light=LESS, sound="medium", permit=True, events=("alarm-raised alarm=plate-high priority=medium",), broker=("alarm plate-high", "step.held=false"),
             page=("medium Plate above its band",)), ready=HEATING, settings={"limits.plate.deviation_delay_s": 1.0},
    ),
    Fault(
        "plate-below-band", "cause", RULES + "plate-low", ("wire cold 90",),
        Seen(light=LESS, sound="medium", permit=True, events=("alarm-raised alarm=plate-low priority=medium",), broker=("alarm plate-low",),
             page=("medium Plate below its band",)), ready=HEATING, settings={"limits.plate.deviation_delay_s": 1.0},
    ),
    Fault(
        "heater-dead", "cause", RULES + "plate-not-heating", ("wire cold 60", "ask start step=separate"),
        Seen(light=LESS, sound="medium", permit=True, events=("alarm-raised alarm=plate-not-heating priority=medium",), broker=("alarm plate-not-heating",),
             page=("medium Plate does not heat up",), within_s=30),
        ready=(*READY, "ask book-in unit=U-1 model=m"), speed=10.0, settings={"limits.plate.not_heating_window_min": 0.5},
    ),
    Fault(
        "plate-left-hot", "cause", RULES + "plate-left-hot", ("wire heat 60",),
        Seen(light=LESS, sound="low", permit=True, events=("alarm-raised alarm=plate-left-hot priority=low",), broker=("alarm plate-left-hot",), page=("low Plate left hot",), within_s=40),
        ready=READY, speed=10.0, settings={"limits.plate.left_hot_min": 1.0},
    ),
    Fault(
        "heat-budget-spent", "cause", RULES + "heat-budget-spent", ("wire heat 90",),
        Seen(light=LESS, sound="medium", permit=True, events=("alarm-raised alarm=heat-budget-spent priority=medium",), broker=("alarm heat-budget-spent",),
             page=("medium This panel has been hot for long",), within_s=60),
        ready=(*READY, "ask book-in unit=U-1 model=m", "ask place unit=U-1"), speed=20.0,
        settings={"limits.plate.budget_min": 5.0, "limits.plate.left_hot_min": 240.0},
    ),
    Fault(
        "filter-clogged", "cause", RULES + "extraction-weak", ("wire fan clogged",),
        Seen(light=LESS, sound="low", permit=True, events=("alarm-raised alarm=extraction-weak priority=low",), broker=("alarm extraction-weak", "extraction.proven=true"),
             page=("low Extraction not as it was learned",), within_s=40),
        ready=READY, settings={"limits.extraction.low_a": 0.38, "limits.extraction.high_a": 0.6, "limits.extraction.weak_s": 1.0},
    ),
    Fault(
        "run-on-short", "cause", RULES + "run-on-short", ("ask finish step=solder result=pass", "wire fan off"),
        Seen(light=LESS, sound="low", permit=False, events=("alarm-raised alarm=run-on-short priority=low", "extraction-lost"), broker=("alarm run-on-short",),
             page=("low Extractor off too soon after soldering",), within_s=40), ready=SOLDERING,
    ),
    Fault(
        "solvent-near-heat", "cause", RULES + "solvent-near-heat", ("wire bottle out",),
        Seen(light=HIGH, sound="high", permit=True, events=("solvent-lifted", "alarm-raised alarm=solvent-near-heat priority=high"), broker=("alarm solvent-near-heat", "solvent_out=true"),
             page=("high Solvent out beside a hot plate",)), ready=(*READY, "wire heat 50", "wait 1"),
    ),
    Fault(
        "solvent-unextracted", "cause", RULES + "solvent-unextracted", ("wire bottle out",),
        Seen(light=CRITICAL_AND_HIGH, sound="critical", permit=False, events=("alarm-raised alarm=solvent-unextracted priority=critical",), broker=("alarm solvent-unextracted",),
             page=("critical Solvent out beside a hot plate without extraction",)), ready=("station start", "wire heat 50", "wait 1"),
        then=("wire bottle back", "wire fan on", "until event extraction-proven", "wait 1.5"), back=Seen(permit=False, events=("alarm-returned alarm=solvent-unextracted",)),
    ),
    Fault(
        "solvent-at-iron", "cause", RULES + "solvent-at-iron", ("wire bottle out",),
        Seen(light=CRITICAL, sound="critical", permit=False, no_later_s=1.0, events=("alarm-raised alarm=solvent-at-iron priority=critical", "step-held alarm=solvent-at-iron", "permit-dropped"),
             broker=("alarm solvent-at-iron", "step.held=true"), page=("critical Solvent out while the iron is in use",)), ready=SOLDERING, short=True,
    ),
    Fault(
        "solvent-left-out", "cause", RULES + "solvent-left-out", ("wire bottle out",),
        Seen(light=LESS, sound="low", permit=True, events=("alarm-raised alarm=solvent-left-out priority=low",), broker=("alarm solvent-left-out",),
             page=("low Solvent bottle left out",), within_s=40), ready=READY, speed=10.0, settings={"limits.solvent.left_out_min": 1.0},
    ),
    Fault(
        "vapour-high", "cause", RULES + "vapour-high", ("ask dispense ml=6",),
        Seen(light=HIGH, sound="high", permit=True, events=("alarm-raised alarm=vapour-high priority=high",), never=("alarm-raised alarm=vapour-critical",), broker=("alarm vapour-high",),
             page=("high Solvent vapour builds up (estimate)",), within_s=20), ready=READY, speed=5.0,
        settings={"limits.solvent.vapour_high_lel": 0.03, "limits.solvent.vapour_critical_lel": 0.25, "limits.solvent.vapour_deadband_lel": 0.001, "limits.solvent.short_term_ppm": 5000.0},
    ),
    Fault(
        "vapour-critical", "cause", RULES + "vapour-critical; decision 26: vapour-high is put aside meanwhile", ("ask dispense ml=200",),
        Seen(light=CRITICAL, sound="critical", permit=False, events=("alarm-raised alarm=vapour-critical priority=critical", "permit-dropped reasons=critical-alarm"), broker=("alarm vapour-critical",),
             page=("critical Solvent vapour near what burns (estimate)",), within_s=20), ready=READY, speed=5.0, settings={"limits.solvent.short_term_ppm": 5000.0},
    ),
    Fault(
        "breathed-too-much", "cause", RULES + "exposure-short-term", ("ask dispense ml=5",),
        Seen(light=LESS, sound="medium", permit=True, events=("alarm-raised alarm=exposure-short-term priority=medium",), broker=("alarm exposure-short-term",),
             page=("medium Too much vapour breathed",), within_s=25), ready=READY, speed=5.0, settings={"limits.solvent.short_term_ppm": 5.0},
    ),
    Fault(
        "adhesive-open-too-long", "cause", RULES + "open-time-expired", ("ask start step=bond",),
        Seen(light=HIGH, sound="high", permit=True, events=("alarm-raised alarm=open-time-expired priority=high",), broker=("alarm open-time-expired",),
             page=("high Open time of the adhesive is over",), within_s=60), ready=(*READY, "ask book-in unit=U-1 model=m"), speed=20.0,
    ),
    Fault(
        "calibration-overdue", "cause", RULES + "calibration-due", (*READY,),
        Seen(light=LESS, sound="low", permit=True, events=("alarm-raised alarm=calibration-due priority=low",), broker=("alarm calibration-due",), page=("low A calibration is due",), within_s=40),
        ready=("calibrated 2020-01-01T00:00:00Z",),
    ),
)  # fmt: skip


def _journal(reason: str, **more) -> Seen:
    """The journal cannot be written: the alarm, the bench ticking on, and nothing of it on disk yet."""
    return Seen(
        light=LESS,
        sound="medium",
        permit=True,
        broker=("alarm journal-failing",),
        page=("medium The journal cannot be written",),
        log=(reason,),
    )._replace(**more)


CARD = "rules: journal-failing; README: if the card fails, the bench goes on; decision 33"
DISK = (
    Fault(
        "card-full", "disk", CARD, ("card full", "wait 1"),
        _journal("disk-full", within_s=25, sound="medium"), ready=("card small 6", *READY, "ask sign-in technician=T-4"),
        then=("wire fan off", "wait 2", "card room"), back=Seen(permit=False, within_s=20, events=("alarm-raised alarm=journal-failing reason=disk-full", "extraction-lost", "alarm-returned alarm=journal-failing")),
    ),
    Fault(
        "card-refuses-writes", "disk", CARD + "; a card that gave up: its kernel answers every write with an error", ("card errno 5",), _journal("disk-error", within_s=25), ready=("card failable", *READY),
        then=("wire fan off", "wait 2", "card errno 0"), back=Seen(within_s=20, permit=False, events=("alarm-raised alarm=journal-failing reason=disk-error", "extraction-lost", "alarm-returned alarm=journal-failing")), short=True,
    ),
    Fault(
        "card-read-only-at-start", "disk", CARD, ("station start", "wire fan on", "until permit"),
        _journal("read-only", within_s=25), ready=("card small 8", "card read-only"),
        then=("card writable",), back=Seen(within_s=20, events=("station-started", "alarm-raised alarm=journal-failing reason=read-only", "permit-granted", "alarm-returned alarm=journal-failing")),
    ),
    Fault(
        "card-read-only-with-a-record", "disk", CARD, ("station start", "wire fan on", "until permit"),
        _journal("read-only", within_s=25, broker=("alarm journal-failing", "unit=U-1")),
        ready=("card small 8", "station start", "ask book-in unit=U-1 model=m", "station term", "card read-only"),
        then=("card writable",), back=Seen(within_s=20, events=("2 station-started", "alarm-raised alarm=journal-failing reason=read-only", "alarm-returned alarm=journal-failing")),
    ),
    Fault(
        "database-damaged-at-start", "disk", "README: a database that is damaged is set aside and a new one begun", ("station start", "wire fan on", "until permit"),
        _journal("is damaged", within_s=20, events=("station-started", "alarm-raised alarm=journal-failing reason=file-set-aside")), ready=("station start", "ask book-in unit=U-1 model=m", "station term", "card garbled"),
        short=True,
    ),
    Fault(
        "no-database-at-start", "disk", "README: set aside where a station wrote here before (decision 33)", ("station start", "wire fan on", "until permit"),
        _journal("is damaged", within_s=20, events=("station-started", "alarm-raised alarm=journal-failing reason=file-set-aside")), ready=("station start", "station term", "card no_database"),
    ),
    Fault(
        "database-of-a-newer-program", "disk", "decision 31; nothing is driven by a station that does not know its own record", ("station start in vain",),
        Seen(heartbeat="still", permit=False, exits=2, log=("bench.db", "9999"), within_s=40), ready=("card newer",), end=None,
    ),
    Fault(
        "database-locked", "disk", CARD, ("card lock",), _journal("database-locked", within_s=20), ready=READY,
        then=("wire fan off", "wait 2", "card unlock"), back=Seen(within_s=20, permit=False, events=("alarm-raised alarm=journal-failing reason=database-locked", "extraction-lost", "alarm-returned alarm=journal-failing")),
    ),
    Fault(
        "card-slow", "disk", CARD + "; promise: loss of extraction to permit dropped, whatever the disk does", ("card slow 12", "wire fan off"),
        _journal("", log=(), light="amber slow, blue slow", permit=False, no_later_s=1.0, within_s=30, broker=("alarm journal-failing", "permit=false")), ready=("card failable", *READY),
        then=("card slow 0",), back=Seen(within_s=40, permit=False, events=("extraction-lost", "alarm-raised alarm=journal-failing reason=writing-late", "alarm-returned alarm=journal-failing")),
    ),
    Fault(
        "reader-holds-a-transaction", "disk", "WAL: a reader never blocks the writer (sqlite.org/wal.html)",
        ("card reader", "ask sign-in technician=T-4", "ask book-in unit=U-1 model=m", "wait 4", "ask start step=intake"),
        Seen(light=FREE, permit=True, events=("signed-in", "step-started step=intake"), never=("alarm-raised",), broker=("step.key=intake",)), ready=READY, then=("card leaves",),
    ),
    Fault(
        "second-station-on-the-file", "disk", "decision 11: one writer a journal", ("station second",),
        Seen(light=FREE, permit=True, log=("another station writes this journal",), never=("alarm-raised",)), ready=READY,
    ),
)  # fmt: skip

GAP = "rules: a longer time between ticks is a gap; what was proven is unknown after it"
PROCESS = (
    Fault(
        "killed-in-a-step", "process", "promise: kill -9 loses no answered event; de-energised by the monostable without a heartbeat", ("station kill",),
        Seen(heartbeat="still", broker=("status online=false reason=lost",), page=("Off", "Nothing watches the bench"), within_s=20), ready=SOLDERING,
        then=("station start", "wait 1"),
        back=Seen(permit=False, events=("step-started step=solder", "step-held alarm=station-restart", "2 station-started"), broker=("step.held=true", "status online=true"), page=("Held", "Extraction is not proven"), light="amber steady, blue steady"), short=True,
    ),
    Fault(
        "told-to-stop", "process", "README; every way out of the process ends de-energised", ("station term",),
        Seen(heartbeat="still", permit=False, exits=0, events=("station-stopped reason=stopped",), broker=("status online=false reason=stopped",), page=("Off",), log=("outputs read back at the end: none on",)),
        ready=SOLDERING, end=None,
    ),
    Fault(
        "interrupted", "process", "every way out of the process ends de-energised", ("station int",),
        Seen(heartbeat="still", permit=False, exits=0, events=("station-stopped reason=stopped",), broker=("status online=false reason=stopped",), log=("outputs read back at the end: none on",)), ready=READY, end=None,
    ),
    Fault(
        "hung-up", "process", "every way out of the process ends de-energised", ("station hup",),
        Seen(heartbeat="still", permit=False, exits=0, events=("station-stopped reason=stopped",), log=("outputs read back at the end: none on",)), ready=READY, end=None,
    ),
    Fault(
        "frozen-for-seconds", "process", GAP, ("station freeze 3",),
        _lost(reason="gap", no_later_s=0.0, page=("critical Extraction lost during the step",)), settings={"limits.extraction.proof_s": 4.0}, ready=SOLDERING, short=True,
    ),
    Fault(
        "read-hangs", "process", GAP + "; no heartbeat meanwhile", ("wire hang 2.5", "wait 3"),
        _lost(reason="gap", no_later_s=0.0), settings={"limits.extraction.proof_s": 4.0}, ready=SOLDERING,
    ),
    Fault(
        "frozen-for-half-a-minute", "process", GAP + "; MQTT 5, 3.1.2.10: no packet in one and a half keep alives, and the will is sent", ("station freeze 28",),
        Seen(permit=False, events=("permit-dropped", "alarm-raised alarm=extraction-lost", "step-held alarm=extraction-lost"), broker=("status online=true", "alarm extraction-lost"),
             page=("critical Extraction lost during the step",), within_s=45), settings={"limits.extraction.proof_s": 4.0}, ready=SOLDERING,
    ),
    Fault(
        "writer-dies", "process", "rules: journal-failing, for what does not reach the disk in time", ("wire writer dies", "wait 1.5", "ask-unanswered sign-in technician=T-4"),
        _journal("", log=(), within_s=20), ready=READY, untidy=True, end=1,
    ),
    Fault(
        "writer-hangs", "process", "rules: journal-failing, for what does not reach the disk in time", ("wire writer hangs", "wire fan off"),
        _journal("", log=(), permit=False, within_s=20, broker=("alarm journal-failing", "permit=false")), ready=READY, end=1,
    ),
    Fault(
        "link-dies", "process", "rules: link-down, for a link that does not work any more", ("wire link dies",),
        Seen(light=LESS, sound="low", permit=True, events=("alarm-raised alarm=link-down priority=low reason=link-failing",), within_s=30), ready=READY, broker="own",
        then=("station term", "station start", "wire fan on", "until permit"), back=Seen(permit=True, broker=("status online=true", "permit=true"), page=("May be used",)),
    ),
    Fault(
        "link-stumbles", "process", "the link begins again by itself (link/link.py)", ("wire link stumbles", "until log the link stumbled", "ask sign-in technician=T-4"),
        Seen(light=FREE, permit=True, events=("signed-in technician=T-4",), never=("alarm-raised",), log=("the link stumbled; it begins again",), broker=("technician=T-4",)), ready=READY, untidy=True,
    ),
    Fault(
        "pages-killed", "process", "our own rule: the bench never depends on its pages", ("pages kill", "wait 1"),
        Seen(light=FREE, permit=True, never=("alarm-raised", "permit-dropped"), broker=("permit=true",), page=(NO_PAGE,)), ready=SOLDERING,
        then=("pages start",), back=Seen(permit=True, page=("May be used",), never=("step-held",)),
    ),
    Fault(
        "collector-killed", "process", "promise: nothing lost, nothing twice after the collector", ("collector kill", "ask sign-in technician=T-4", "ask book-in unit=U-1 model=m", "wait 1"),
        Seen(light=FREE, permit=True, events=("signed-in", "unit-booked-in"), never=("alarm-raised",)), ready=("collector start", *READY),
        then=("collector start", "ask sign-out"), back=Seen(events=("signed-out",)),
    ),
    Fault(
        "killed-while-alarmed", "process", "ISA-18.2: a latched alarm outlives a restart (fold of the events)", ("station kill", "station start", "wire fan on"),
        Seen(permit=False, broker=("alarm plate-over-limit",), page=("critical Plate over its limit",), never=("permit-granted boot=never",), events=("2 station-started",)),
        ready=("station start", "wire heat 140", "until event alarm-raised alarm=plate-over-limit"),
    ),
)  # fmt: skip

CLOCK = (
    Fault(
        "clock-not-set", "clock", RULES + "clock-untrusted; no date rather than a wrong one", ("station start", "wire fan on", "until permit"),
        Seen(light=LESS, sound="low", permit=True, events=("alarm-raised alarm=clock-untrusted priority=low at=none",), broker=("alarm clock-untrusted", "at=none"), page=("low The clock is not set",), within_s=40),
        ready=("clock 1970",), then=("clock 0", "clock set"), back=Seen(events=("clock-set", "alarm-returned alarm=clock-untrusted"), within_s=15),
        settings={"station.sync_file": "{folder}/synchronised"},
    ),
    *(
        Fault(
            f"clock-{name}", "clock", "our own rule: durations and order go by the monotonic clock; a step is an event", (f"clock {step_s}",),
            Seen(permit=True, events=("2 clock-set",), never=("step-held", "extraction-lost", "permit-dropped"), broker=("permit=true",)), ready=SOLDERING,
            then=("ask finish step=solder result=pass",), back=Seen(permit=True, events=("step-finished step=solder",)),
            short=step_s < 0,
        )
        for name, step_s in (("three-hours-ahead", 10800), ("three-hours-back", -10800))
    ),
)  # fmt: skip


def _link(reason: str, **more) -> Seen:
    """Nothing reaches the broker: told at the bench and on record; the bench works on."""
    return Seen(
        light=LESS,
        sound="low",
        permit=True,
        events=(f"alarm-raised alarm=link-down priority=low reason={reason}",),
        within_s=45,
    )._replace(**more)


AWAY = "rules: link-down; promise: nothing lost, order kept; MQTT 5, 2.4 for the reasons"
CUT = ("cut off", "Go by the bench and its light")
BACK = Seen(
    events=("alarm-returned alarm=link-down",), broker=("status online=true", "permit=true"), within_s=45
)
NETWORK = (
    Fault(
        "broker-absent", "network", AWAY, ("wait 0.1",), _link("broker-refused", page=CUT), ready=READY, broker="absent", then=("broker start",),
        back=BACK._replace(page=("May be used",)),
    ),
    Fault(
        "broker-killed", "network", AWAY, ("broker kill",), _link("broker-lost|broker-refused", page=CUT), ready=READY, broker="own", then=("broker start",), back=BACK, short=True,
    ),
    Fault(
        "broker-stopped", "network", AWAY, ("broker stop",), _link("broker-lost|broker-refused|broker-unavailable", page=CUT), ready=READY, broker="own", then=("broker start",), back=BACK,
    ),
    Fault(
        "broker-frozen", "network", AWAY, ("broker freeze",), _link("broker-silent", page=("Lost",)), ready=READY, broker="own", then=("broker thaw",), back=BACK,
    ),
    Fault("password-refused", "network", AWAY, ("wait 0.1",), _link("wrong-password", page=("Unheard",)), ready=READY, broker="password", then=("broker let in",), back=BACK),
    Fault(
        "publishing-denied", "network", AWAY, ("wait 0.1",), _link("publishing-denied"), ready=READY, broker="allowed", then=("broker let publish",), back=BACK,
    ),
    Fault("address-leads-nowhere", "network", AWAY, ("wait 0.1",), _link("broker-unreachable|broker-silent", page=("Unheard",)), ready=READY, broker="nowhere", end=0),
    Fault("certificate-not-yet-valid", "network", AWAY + "; X.509 validity", ("wait 0.1",), _link("certificate-not-yet-valid"), ready=READY, broker="tls", then=("broker certify",), back=BACK),
    Fault(
        "certificate-expired", "network", AWAY + "; X.509 validity", ("station start", "wire fan on", "until permit"), _link("certificate-expired"), ready=("broker certify expired",),
        broker="tls", then=("broker certify",), back=BACK,
    ),
)  # fmt: skip

ASKED = "README: every request is answered after its event is on disk; a stored one is ignored"
REQUESTS = (
    Fault("request-nonsense", "request", ASKED, ("publish nonsense",),
          Seen(light=FREE, permit=True, sound="refused", events=("request-refused reasons=malformed-request|unknown-request",)), ready=READY, short=True),
    *(
        Fault(f"request-{name.replace(' ', '-').lower()}", "request", ASKED, (f"publish {name}",),
              Seen(light=FREE, permit=True, sound="refused", events=("request-refused",), never=("signed-in",)), ready=READY)
        for name in ("broken JSON", "deep JSON", "bytes", "long", "retained")
    ),
    Fault("request-huge", "request", "MQTT 5, 3.1.2.11.4: a packet beyond the announced maximum is not sent", ("publish huge", "wait 1", "ask sign-in technician=T-4"),
          Seen(light=FREE, permit=True, events=("signed-in technician=T-4",), never=("alarm-raised",)), ready=READY, then=("wait 0.1",), back=Seen(events=("1 signed-in",))),
    Fault("request-twice", "request", "MQTT 5, 4.3.2: QoS 1 may deliver twice; it is done once (link/repeats.py)", ("publish twice", "wait 1"),
          Seen(light=FREE, permit=True, events=("1 signed-in technician=T-9",)), ready=READY),
    Fault("request-stored-before-the-start", "request", ASKED, ("station start", "wire fan on", "until permit", "wait 1"),
          Seen(light=FREE, permit=True, never=("signed-in",)), ready=("publish retained",), then=("publish clear",)),
)  # fmt: skip

SETTINGS = tuple(
    Fault(f"settings-{name}", "settings", "README: exit code 2 for wrong input, with file, key, value and what would be right", (f"settings {name}", "station start in vain"),
          Seen(heartbeat="still", permit=False, exits=2, log=words, within_s=40), end=None, short=name == "range")
    for name, words in (
        ("syntax", ("settings.toml", "not valid TOML")),
        ("unknown", ("settings.toml", "identity")),
        ("type", ("settings.toml", "tick_s", "soon")),
        ("range", ("settings.toml", "tick_s", "30.0", "0.2")),
        ("contradiction", ("settings.toml", "lost_a", "0.2")),
        ("pins", ("settings.toml", "21", "permit")),
        ("gone", ("settings.toml",)),
    )
)  # fmt: skip

FAULTS: tuple[Fault, ...] = (
    *PLATE, *EXTRACTION, *SWITCHES, *CAUSE_ROWS, *DISK, *PROCESS, *CLOCK, *NETWORK, *REQUESTS, *SETTINGS,
)  # fmt: skip
