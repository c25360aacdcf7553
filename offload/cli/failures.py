"""Where errors become words for people, or a JSON line, and an exit code. No traceback gets out."""

import json
import os
import sys
import traceback
from collections.abc import Callable

from offload.errors import OffloadError, reason
from offload.values.paths import shown, to_text

STOPPED = 130
NO_VERDICT = 3
USAGE = 2


def told(command: Callable[[], object]) -> int:
    """Run a command; say what went wrong.

    Returns:
        The exit code.
    """
    try:
        result = command()
    except OffloadError as error:
        _say(error)
        return error.exit_code
    except KeyboardInterrupt:
        _write("\nStopped. Keep the card; the same command goes on from there.\n")
        return STOPPED
    except BrokenPipeError:
        # Whoever read our output has gone; the next write at exit must not fail again.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return NO_VERDICT
    except OSError as error:
        _write(f"offload: {shown(str(error.filename or ''))} {reason(error)}\n{_NO_VERDICT}")
        return NO_VERDICT
    except Exception as error:  # noqa: BLE001  # the outermost edge: whatever it is becomes words
        return _other(error)
    return result if isinstance(result, int) else 0


_NO_VERDICT = "No verdict could be given: keep the card.\n"


def _other(error: Exception) -> int:
    message = getattr(error, "format_message", None)
    if message is not None:
        # Typer's own: wrong usage of the command line.
        context = getattr(error, "ctx", None)
        usage = f"{context.get_usage()}\n" if context is not None else ""
        _write(f"{usage}{shown(message())}\n")
        return int(getattr(error, "exit_code", USAGE))
    if type(error).__name__ in ("Exit", "Abort"):
        return int(getattr(error, "exit_code", STOPPED))
    _write(
        f"offload: this is a fault of the program: {type(error).__name__}: {shown(str(error))}\n"
        f"{_NO_VERDICT}Please report it with these lines:\n"
    )
    for frame in traceback.extract_tb(error.__traceback__)[-6:]:
        _write(f"  {os.path.basename(frame.filename)}:{frame.lineno} {frame.name}\n")
    return NO_VERDICT


def _say(error: OffloadError) -> None:
    if "--json" in sys.argv:
        print(json.dumps(as_json(error)), flush=True)
        return
    lines = [f"offload: {_first(error)}"]
    if error.meaning:
        lines.append(f"  {_sentence(error.meaning)}")
    if error.remedy:
        lines.append(f"  DO  {error.remedy}")
    _write("\n".join(lines) + "\n")


def as_json(error: OffloadError) -> dict[str, object]:
    """An error as the last line of ``--json``."""
    return {
        "type": "error",
        "code": error.code,
        "text": error.what,
        "path": to_text(error.path),
        "meaning": error.meaning,
        "remedy": error.remedy,
        "exit": error.exit_code,
    }


def _first(error: OffloadError) -> str:
    text = str(error)
    return text if text.endswith((".", "!", "?")) else f"{text}."


def _sentence(text: str) -> str:
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else f"{text}."


def _write(text: str) -> None:
    sys.stderr.write(text)
    sys.stderr.flush()
