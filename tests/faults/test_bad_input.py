"""The short form of the bad input campaign: every parser, some hundred spoilt inputs each."""

import importlib.util
import logging

import pytest
from bad_input import by_atheris, by_hypothesis, run, targets


@pytest.mark.parametrize("parser", list(targets()))
def test_no_spoilt_input_makes_a_parser_fall_over(parser, caplog):
    """Each input is taken or refused in words, and some of both come."""
    caplog.set_level(logging.CRITICAL)
    counts = run(parser, 200)
    assert counts["refused"] > 0
    assert counts["taken"] > 0
    assert counts.total() == 200


@pytest.mark.parametrize("parser", list(targets()))
def test_nothing_that_hypothesis_thinks_of_makes_a_parser_fall_over(parser, caplog):
    """What is spoilt, and how, is chosen by Hypothesis, which would shrink what it finds."""
    caplog.set_level(logging.CRITICAL)
    assert by_hypothesis(parser, 60)["refused"] > 0


@pytest.mark.system
@pytest.mark.parametrize("parser", ["request", "collected readings", "frame"])
def test_nothing_on_a_new_path_makes_a_parser_fall_over(parser):
    """Atheris finds paths beyond those of the examples; it has wheels for x86-64 alone."""
    if importlib.util.find_spec("atheris") is None:
        pytest.skip("atheris is not installed: it has no wheel for this machine")
    assert by_atheris(parser, 3000)["paths"] > 20
