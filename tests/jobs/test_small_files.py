"""Small files of a drive that somebody else may have written: odd ones are as good as none."""

from pathlib import Path

import pytest

from offload.jobs.lease import RUN_NAME, Run, read_run, write_run
from offload.jobs.opening import MARKER, read_marker
from offload.storage.root import Root

RUN = Run("k1", "i1", "5F1C-00A2", "cart-1", "K7-4M2P", "A001")

# A parser of JSON gives up at some depth, each in its own way.
ODD = [b"", b"{", b"[]", b'{"key": 1, "drive": 7}', b"\xff\xfe", b"[" * 60_000, b'{"a":' * 10_000]


@pytest.mark.parametrize("content", ODD, ids=range(len(ODD)))
def test_odd_lease_is_none(tmp_path: Path, content: bytes) -> None:
    (tmp_path / RUN_NAME.decode()).write_bytes(content)
    with Root(bytes(tmp_path)) as root:
        assert read_run(root, b"") is None
        write_run(root, b"", RUN)
        assert read_run(root, b"") == RUN


@pytest.mark.parametrize("content", ODD, ids=range(len(ODD)))
def test_odd_marker_is_none(tmp_path: Path, content: bytes) -> None:
    (tmp_path / MARKER.decode()).write_bytes(content)
    with Root(bytes(tmp_path)) as root:
        assert read_marker(root) == ""
