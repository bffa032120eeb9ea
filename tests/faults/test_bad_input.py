"""The short form of the bad input campaign: every parser, some hundred spoilt inputs each."""

import logging

import pytest
from bad_input import run, targets


@pytest.mark.parametrize("parser", list(targets()))
def test_no_spoilt_input_makes_a_parser_fall_over(parser, caplog):
    """Each input is taken or refused in words, and some of both come."""
    caplog.set_level(logging.CRITICAL)
    counts = run(parser, 300)
    assert counts["refused"] > 0
    assert counts.total() == 300
