"""The heat budget: how long each unit has lain on a hot plate, over all its placements.

The journal's readings are the record of it; the daemon reads them once at its start (`begin`'s ``hot_ms``)
and counts on from there.
"""


def count_hot(
    hot_ms: dict[str, int], on_plate: str | None, plate_c: float | None, passed_ms: int, budget_c: float
) -> dict[str, int]:
    """Time at or above the budget's temperature by unit, in ms, after one more tick.

    Args:
        hot_ms: as it was; returned as it is where nothing is added.
        on_plate: the unit that lies on the plate.
        plate_c: the plate; None (no valid reading) adds nothing.
        passed_ms: since the last tick; 0 after a gap, which is never counted.
        budget_c: the temperature from which time counts.
    """
    if on_plate is None or plate_c is None or plate_c < budget_c or not passed_ms:
        return hot_ms
    return {**hot_ms, on_plate: hot_ms.get(on_plate, 0) + passed_ms}
