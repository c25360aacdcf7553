"""A worker: one process that looks into clips, one after the other, and may die of it.

Started by :mod:`offload.media.worker_process` with one socket. Over it come requests, each a line
of JSON together with one open descriptor; back goes one line for each. Nothing else is open,
nothing is written, no name of a file ever gets here. A worker whose memory ran out, or in which
something unforeseen happened, answers and ends; another takes its place.
"""

import os
import socket

import av

from offload.media.limits import allow_computing, allow_raster, lock_down
from offload.media.looking import look_into
from offload.media.wire import (
    MAX_REQUEST_BYTES,
    WireError,
    failure_line,
    read_request,
    reply_line,
)

READY = b"ready\n"


def serve(channel: socket.socket) -> None:
    """Answer requests until the other side has gone."""
    av.logging.set_level(av.logging.ERROR)
    # Held back repetitions would be told of the next clip.
    av.logging.set_skip_repeated(False)
    lock_down()
    channel.sendall(READY)
    while True:
        line, descriptors = _receive(channel)
        if not line:
            return
        try:
            answer, is_well = _answer(line, descriptors)
        finally:
            for descriptor in descriptors:
                os.close(descriptor)
        channel.sendall(answer)
        if not is_well:
            return


def _answer(line: bytes, descriptors: list[int]) -> tuple[bytes, bool]:
    """One answer, and whether this process is fit for another clip."""
    try:
        request, computing_s = read_request(line)
        if len(descriptors) != 1:
            raise WireError("one descriptor comes with a request")
        allow_computing(computing_s)
        return reply_line(look_into(descriptors[0], request, allow_raster)), True
    except MemoryError:
        return failure_line("it needs more memory than a check may use"), False
    except OSError as error:
        return failure_line(f"reading failed: {error.strerror or type(error).__name__}"), False
    except Exception as error:  # noqa: BLE001 - the edge of the process: it becomes the answer
        return failure_line(f"the check itself failed ({type(error).__name__})"), False


def _receive(channel: socket.socket) -> tuple[bytes, list[int]]:
    line = b""
    descriptors: list[int] = []
    while not line.endswith(b"\n"):
        part, received, _flags, _address = socket.recv_fds(channel, MAX_REQUEST_BYTES, 1)
        descriptors += received
        if not part or len(line) > MAX_REQUEST_BYTES:
            return b"", descriptors
        line += part
    return line, descriptors
