"""Fixtures live in the laboratory and beside their scenes; no property is held to a speed."""

from hypothesis import HealthCheck, settings

from tests.jobs.verify_fixtures import copies, master
from tests.lab.fixtures import _nothing_left, faulty, faulty_disk, rack

__all__ = ["_nothing_left", "copies", "faulty", "faulty_disk", "master", "rack"]

# An example that takes long on a busy machine says nothing about the code.
settings.register_profile(
    "unhurried", settings(), deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("unhurried")
