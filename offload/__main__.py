"""``python -m offload``."""

from offload.cli.main import main

main()
