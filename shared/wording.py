"""Reason codes in words a technician reads at a glance: what is wrong and what to do."""

REASONS: dict[str, str] = {
    # why a step may not start or finish
    "no-unit": "No unit is in hand. Book one in or take one.",
    "unknown-unit": "This bench does not know that unit. Book it in first.",
    "unknown-step": "The process sheet has no such step.",
    "step-running": "Another step is still running. Finish or abandon it first.",
    "step-order": "A step that must come before has not passed yet.",
    "extraction-not-proven": "Extraction is not proven. Switch the extractor on and give it time.",
    "plate-sensor-fault": "The plate sensor gives no believable reading. Check its wire and plug.",
    "plate-over-limit": "The plate was over its limit. Let it cool, acknowledge and reset.",
    "plate-occupied": "Another unit lies on the plate. Remove it first.",
    "solvent-out": "The solvent bottle is not in its cradle. Close it and put it back.",
    "soak-unfinished": "The soak is not over yet.",
    "cure-unfinished": "The cure is not over yet.",
    "critical-alarm": "A critical alarm stands. Deal with that first.",
    "clock-untrusted": "The clock is not set, so the cure cannot be told. Set it or wait for the network.",
    # why another request is not carried out
    "unknown-request": "The station does not know that request.",
    "malformed-request": "The request could not be read.",
    "not-recorded": "The station could not record the request. See its log.",
    "station-busy": "Too many requests wait. Ask again in a moment.",
    "not-signed-in": "Nobody is signed in.",
    "already-known": "This bench already knows that unit. Take it instead.",
    "already-placed": "That unit already lies on the plate.",
    "plate-empty": "Nothing lies on the plate.",
    "not-on-plate": "That unit does not lie on the plate.",
    "unit-on-plate": "The unit still lies on the plate. Remove it first.",
    "step-not-running": "That step is not running.",
    "step-held": "The step is held. Resume or abandon it first.",
    "no-held-step": "No step is held.",
    "cause-standing": "The cause is still there.",
    "alarm-unacknowledged": "The alarm is not acknowledged yet.",
    "alarm-latched": "The alarm is latched. Reset it first.",
    "unknown-alarm": "The station has no such alarm.",
    "nothing-to-acknowledge": "No alarm waits to be acknowledged.",
    "nothing-to-reset": "No alarm waits to be reset.",
    "critical-not-shelved": "A critical alarm cannot be put aside.",
    "shelved-too-long": "That is longer than an alarm may be put aside.",
    "not-shelved": "That alarm is not put aside.",
    "already-shelved": "That alarm is put aside already.",
    "no-vapour-estimate": "This station does not estimate vapour.",
    # what holds a step or brought something about, apart from alarms
    "station-restart": "The station started again while the step ran.",
    "low-current": "The extractor draws too little current.",
    "unreadable": "The extraction current could not be read.",
    "gap": "The station missed more than a second.",
    # qualities
    "open-circuit": "The thermocouple is open: broken wire or loose plug.",
    "short-to-ground": "The thermocouple touches ground.",
    "short-to-supply": "The thermocouple touches the supply.",
    "board-silent": "The thermocouple board does not answer.",
    "bad-frame": "The thermocouple board answers nonsense.",
    "bus-error": "The bus to the thermocouple board failed.",
    "out-of-range": "The plate reading is outside what can be believed.",
    "frozen": "The plate reading has stopped moving, digit for digit.",
    "absurd-rate": "The plate reading jumps faster than any plate can.",
    "unknown": "There is no reading yet.",
    "clipped": "The extraction current is beyond what the input can measure.",
    "too-few-samples": "The extraction current was sampled too slowly.",
    "stale": "The extraction current is too old.",
}


def reason_text(code: str) -> str:
    """The sentence for a reason code; an unknown code is shown as words."""
    return REASONS.get(code, code.replace("-", " ").capitalize() + ".")
