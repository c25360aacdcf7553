"""Giving a file its modification time, apart from its content: a refusal loses no byte."""

import errno
import os

# A file system without such a thing, or another owner: the content is not touched by it.
_NO_METADATA = frozenset(
    {errno.EPERM, errno.EACCES, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EINVAL}
)


def give_time(fd: int, mtime_ns: int) -> bool:
    """Set access and modification time of an open file.

    Args:
        fd: of the file.
        mtime_ns: nanoseconds since 1970.

    Returns:
        Whether the file system took it.

    Raises:
        OSError: the drive failed.
    """
    try:
        os.utime(fd, ns=(mtime_ns, mtime_ns))
    except OverflowError:
        return False
    except OSError as error:
        if error.errno not in _NO_METADATA:
            raise
        return False
    return True
