"""The header's places, against gpiozero's own table of the board."""

import pytest
from gpiozero.pins.mock import MockFactory

from station.wiring.header import HEADER, place_of


def board() -> dict[int, set[str]]:
    """Names of each place of the 40-pin header, as gpiozero knows them."""
    (header,) = [one for name, one in MockFactory().board_info.headers.items() if name == "J8"]
    return {number: {pin.name, *map(str, pin.names)} for number, pin in header.pins.items()}


def test_every_place_carries_what_gpiozero_says() -> None:
    """All forty, power and ground among them."""
    known = board()
    assert len(HEADER) == len(known) == 40
    for place, carries in enumerate(HEADER, 1):
        assert carries in known[place], place


@pytest.mark.parametrize("bcm", range(28))
def test_place_of_a_line_is_where_gpiozero_has_it(bcm: int) -> None:
    """BCM numbers 0 to 27, each on its one place."""
    assert {place for place, names in board().items() if f"GPIO{bcm}" in names} == {place_of(bcm)}


def test_line_that_is_not_on_the_header_is_refused() -> None:
    """The Pi has more lines than its header."""
    with pytest.raises(ValueError, match="GPIO28"):
        place_of(28)
