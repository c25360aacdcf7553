"""The small files beside AVCHD streams: which streams one take is cut into, and how long each is.

A stream alone shows neither that it was cut on a packet boundary nor that it goes on in the next
file. The clip information gives the number of its packets; the playlist says which streams follow
each other without a seam. Layout of both files from memory of the packed disc form that AVCHD
uses; fields that do not fit are passed over, never believed.
"""

from offload.media.packed import number

PACKET_BYTES = 192
MOST_BYTES = 1 << 20
"""More than any clip information or playlist that a camera writes; what is longer is not read."""

_MAX_ITEMS = 10_000
_SEAMLESS = (5, 6)


def packets_of(information: bytes) -> int | None:
    """How many packets of 192 bytes a stream has by its clip information; None where unsaid."""
    if information[:4] != b"HDMV" or len(information) < 60:
        return None
    return number(information, 56, 4) or None


def seamless_runs(playlist: bytes) -> list[list[bytes]]:
    """Streams that follow each other without a seam, as their five-digit names.

    A stream that stands alone is a run of one.
    """
    if playlist[:4] != b"MPLS" or len(playlist) < 20:
        return []
    at = number(playlist, 8, 4)
    count = min(number(playlist, at + 6, 2), _MAX_ITEMS)
    at += 10
    runs: list[list[bytes]] = []
    for _item in range(count):
        length = number(playlist, at, 2)
        if length < 20 or at + 2 + length > len(playlist):
            break
        name = playlist[at + 2 : at + 7]
        is_joined = number(playlist, at + 12, 1) & 15 in _SEAMLESS
        if is_joined and runs and name not in runs[-1]:
            runs[-1].append(name)
        else:
            runs.append([name])
        at += 2 + length
    return runs
