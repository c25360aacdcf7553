"""``python -m tests.lab.loops_as_disks``: the program, where loop devices count as disks.

See ``tests.lab.machine``; nothing else of the program is changed.
"""

import offload.cli.session
from offload.cli.main import main
from tests.lab.machine import loops_as_disks

offload.cli.session.surroundings = loops_as_disks

if __name__ == "__main__":
    main()
