"""Fuzzes one reader in this process: ``python -m tests.fuzz.one READER [libFuzzer options]``.

atheris puts a counter on every branch of the readers and keeps each input that reaches a new one.
"""

import sys

import atheris  # type: ignore[import-not-found]

with atheris.instrument_imports(include=["offload"], enable_loader_override=False):
    from tests.fuzz.targets import TARGETS


def main(arguments: list[str]) -> None:
    """Run until the time is up or something is found; then the process ends."""
    target = TARGETS[arguments[1]]

    def once(data: bytes) -> None:
        try:
            target.run(data)
        except target.refusals:
            return

    atheris.Setup([arguments[0], *arguments[2:]], once)
    atheris.Fuzz()


if __name__ == "__main__":
    main(sys.argv)
