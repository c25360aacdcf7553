"""``python -m tests.lab.loops_as_disks ...``: the program, on a machine whose loop devices are disks.

See ``tests.lab.machine``; nothing else of the program is changed.
"""

import offload.cli.session
from offload.cli.main import main
from tests.lab.machine import loops_as_disks

offload.cli.session.surroundings = loops_as_disks

if __name__ == "__main__":
    main()
