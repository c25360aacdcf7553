"""Fixtures that every test may ask for live in the laboratory."""

from tests.lab.fixtures import _nothing_left, faulty, faulty_disk, rack

__all__ = ["_nothing_left", "faulty", "faulty_disk", "rack"]
