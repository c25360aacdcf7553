"""The camera sheet that ``--expect`` names: a file, or rolls typed in its place."""

import os

from offload.errors import UsageError, reason
from offload.jobs.look_notices import Sheet
from offload.media.camera_sheet import MAX_BYTES, decode_sheet, parse_sheet
from offload.media.sheet_clips import parse_sheet_clips
from offload.values.paths import shown


def read_sheet(word: str) -> Sheet:
    """What a camera sheet lists; nothing where no sheet was named.

    Raises:
        UsageError: it cannot be read, or a line of it is no roll.
    """
    if not word:
        return Sheet()
    text = _content(word)
    try:
        return Sheet(parse_sheet(text), parse_sheet_clips(text))
    except UsageError as error:
        raise UsageError(
            f"the camera sheet: {error.what}",
            meaning="Nothing was read or written.",
            remedy=error.remedy or "Name a file, or type rolls:  --expect A001-A005",
        ) from error


def _content(word: str) -> str:
    path = os.fsencode(word)
    if not os.path.exists(path):
        return word
    try:
        with open(path, "rb") as file:
            return decode_sheet(file.read(MAX_BYTES + 1))
    except OSError as error:
        raise UsageError(
            f"the camera sheet '{shown(word)}' cannot be read: {reason(error)}",
            meaning="Nothing was read or written.",
        ) from error
