"""Fixtures that every test may ask for live in the laboratory."""

from tests.lab.fixtures import _nothing_left, rack

__all__ = ["_nothing_left", "rack"]
