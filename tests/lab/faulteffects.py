"""What the silent faults do to bytes and listings: plain functions, no file system."""

import os

from tests.lab.faultplan import Fault
from tests.lab.faultstore import BLOCK

Entry = tuple[bytes, int, int]
"""Name, mode and inode number."""


def flipped(data: bytes, offset: int, fault: Fault) -> bytes:
    """One byte with the bits of the mask flipped: the one at ``fault.at``, else the middle one."""
    at = fault.at - offset if fault.at >= 0 else len(data) // 2
    return data[:at] + bytes([data[at] ^ fault.mask]) + data[at + 1 :]


def spoilt_writing(data: bytes, offset: int, fault: Fault) -> bytes:
    """What is stored instead of ``data``, written at ``offset``."""
    if not data:
        return data
    if fault.effect == "flip_in":
        return flipped(data, offset, fault)
    if fault.effect == "drop":
        return b""
    if fault.effect in ("torn", "short"):
        return data[: len(data) // 2]
    if fault.effect == "swap":
        half = min(BLOCK, len(data) // 2)
        return data[half : 2 * half] + data[:half] + data[2 * half :]
    return data


def spoilt_reading(data: bytes, offset: int, fault: Fault) -> bytes:
    """What is handed out instead of ``data``, read at ``offset``."""
    if not data:
        return data
    if fault.effect == "short":
        return data[: max(1, len(data) // 2)]
    if fault.effect == "flip_out":
        return flipped(data, offset, fault)
    if fault.effect == "zero_out":
        kept = max(0, len(data) - fault.length)
        return data[:kept] + bytes(len(data) - kept)
    return data


def spoilt_listing(entries: list[Entry], fault: Fault) -> list[Entry]:
    """The listing with one entry left out or twice."""
    if not entries or fault.effect not in ("leave_out", "double"):
        return entries
    named = [entry for entry in entries if entry[0] == os.fsencode(fault.name)]
    chosen = named[0] if named else entries[-1]
    if fault.effect == "leave_out":
        return [entry for entry in entries if entry is not chosen]
    return [*entries, chosen]
