"""``offload.toml`` as typed settings, each with where its value comes from."""

from offload.settings.checks import CHECKSUMS, IN_MANIFEST
from offload.settings.reading import FILE_NAME, Problem, WrongSettingsError, load
from offload.settings.toml_lines import key_lines
from offload.settings.values import (
    Cards,
    Checksums,
    Clips,
    Copies,
    Drive,
    Given,
    Origin,
    Production,
    Settings,
    Source,
    Station,
)

__all__ = [
    "CHECKSUMS",
    "FILE_NAME",
    "IN_MANIFEST",
    "Cards",
    "Checksums",
    "Clips",
    "Copies",
    "Drive",
    "Given",
    "Origin",
    "Problem",
    "Production",
    "Settings",
    "Source",
    "Station",
    "WrongSettingsError",
    "key_lines",
    "load",
]
