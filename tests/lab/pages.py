"""Dropping what the machine keeps of the files of one folder, and of nothing else.

``/proc/sys/vm/drop_caches`` would take the pages of every test that runs beside this one.
Source: posix_fadvise(2).
"""

import os
import stat


def forget_files(folder: bytes) -> None:
    """Drop the pages of every file below ``folder``; what is not written yet stays.

    Raises:
        OSError: something below it cannot be opened.
    """
    for _, _, names, fd in os.fwalk(folder, follow_symlinks=False):
        for name in names:
            if not stat.S_ISREG(os.stat(name, dir_fd=fd, follow_symlinks=False).st_mode):
                continue
            file = os.open(name, os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC, dir_fd=fd)
            try:
                os.posix_fadvise(file, 0, 0, os.POSIX_FADV_DONTNEED)
            finally:
                os.close(file)
