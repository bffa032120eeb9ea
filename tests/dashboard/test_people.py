"""The people's file: where a PIN counts, and that a removed person is unknown."""

from pathlib import Path

from dashboard.access import Role
from dashboard.people import People


def test_pin_counts_only_at_the_bench(tmp_path: Path) -> None:
    """A PIN admits at the bench alone; a password admits everywhere; a wrong one nowhere."""
    people = People(tmp_path / "people.db")
    people.add("t-04", Role.TECHNICIAN, pin="739154", password="plum-anvil-9")
    tries = [
        ("739154", True),
        ("739154", False),
        ("plum-anvil-9", True),
        ("plum-anvil-9", False),
        ("1", True),
    ]
    admitted = [people.admitted("t-04", secret, at_bench=here) is not None for secret, here in tries]
    assert admitted == [True, False, True, True, False]
    people.remove("t-04")
    assert people.admitted("t-04", "739154", at_bench=True) is None
    people.close()
