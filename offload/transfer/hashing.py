"""Checksums of one reading: in the reader's own thread, or each in another while it reads on.

A record may ask for several of them, and the slow ones (SHA-512 at some 0.6 GB/s a core) would
otherwise stand between every two blocks of a fast drive.
"""

import os
from collections.abc import Iterable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from types import TracebackType
from typing import Protocol, Self

from offload.checksum import Hasher

_SAME_DIGEST = {"sha512": "c4"}
"""A C4 ID is a SHA-512 in another form; raw, both are the same bytes."""


class Hashing(Protocol):
    """The checksums of one file while its blocks pass."""

    @property
    def blocks_held(self) -> int:
        """Buffers that have to be filled in turn: a block may still be read after ``update``."""
        ...

    def update(self, block: memoryview) -> None:
        """Take the next block."""
        ...

    def digests(self) -> dict[str, bytes]:
        """Raw digests by algorithm; the end of the file."""
        ...


class HashingCrew:
    """The threads that work out the checksums of one reader; made when the first file needs them.

    A context: at its end all threads have ended.
    """

    def __init__(self) -> None:
        self._pool: ThreadPoolExecutor | None = None
        self._under_way: _Apart | None = None

    def begin(self, names: Iterable[str], *, is_large: bool) -> Hashing:
        """The checksums of one file.

        Args:
            names: algorithms.
            is_large: whether handing blocks to other threads is worth the while.
        """
        wanted = tuple(dict.fromkeys(names))
        hashers = [Hasher(name) for name in _without_doubles(wanted)]
        if not is_large or len(hashers) == 1:
            return _Inline(hashers, wanted)
        if self._pool is None:
            self._pool = ThreadPoolExecutor(os.cpu_count() or 1, "checksums")
        if self._under_way is not None:
            # A file that was given up half-way may still have a block with the threads.
            self._under_way.wait()
        self._under_way = _Apart(hashers, wanted, self._pool)
        return self._under_way

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._pool is not None:
            self._pool.shutdown()


class _Inline:
    """All checksums one after the other, in the thread that reads."""

    blocks_held = 1

    def __init__(self, hashers: Sequence[Hasher], wanted: Sequence[str]) -> None:
        self._hashers = hashers
        self._wanted = wanted

    def update(self, block: memoryview) -> None:
        for hasher in self._hashers:
            hasher.update(block)

    def digests(self) -> dict[str, bytes]:
        return _by_name(self._hashers, self._wanted)


class _Apart:
    """Every checksum in a thread of the crew, one block behind the reader."""

    blocks_held = 2

    def __init__(
        self, hashers: Sequence[Hasher], wanted: Sequence[str], pool: ThreadPoolExecutor
    ) -> None:
        self._hashers = hashers
        self._wanted = wanted
        self._pool = pool
        self._block: list[Future[None]] = []

    def update(self, block: memoryview) -> None:
        self.wait()
        self._block = [self._pool.submit(hasher.update, block) for hasher in self._hashers]

    def wait(self) -> None:
        """Until the threads are done with the last block."""
        for future in self._block:
            future.result()
        self._block = []

    def digests(self) -> dict[str, bytes]:
        self.wait()
        return _by_name(self._hashers, self._wanted)


def _without_doubles(names: Sequence[str]) -> list[str]:
    return list(dict.fromkeys(_SAME_DIGEST.get(name, name) for name in names))


def _by_name(hashers: Sequence[Hasher], wanted: Sequence[str]) -> dict[str, bytes]:
    found = {hasher.name: hasher.digest() for hasher in hashers}
    return {name: found[_SAME_DIGEST.get(name, name)] for name in wanted}
