"""Where errors become words for people, or a JSON line, and an exit code. No traceback gets out."""

import json
import os
import sys
import traceback
from collections.abc import Callable

from offload.errors import OffloadError, UsageError, reason
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
        return _say(error)
    except KeyboardInterrupt:
        return _say(InterruptedByUserError("stopped; keep the card", remedy=_GO_ON))
    except OSError as error:
        return _say(_from_system(error))
    except Exception as error:  # noqa: BLE001  # the outermost edge: whatever it is becomes words
        return _other(error)
    return result if isinstance(result, int) else 0


_NO_VERDICT = "No verdict could be given: keep the card."
_GO_ON = "The same command goes on from there."


class InterruptedByUserError(OffloadError):
    """The user wanted to stop before any job had begun."""

    code = "stopped"
    exit_code = STOPPED


class FaultError(OffloadError):
    """Something that nobody foresaw; by the program's own doing."""

    code = "fault"
    exit_code = NO_VERDICT


def _from_system(error: OSError) -> OffloadError:
    """What no step has taken in."""
    path = error.filename
    if isinstance(path, str):
        path = path.encode("utf-8", "surrogateescape")
    return FaultError(
        reason(error), path=path if isinstance(path, bytes) else b"", meaning=_NO_VERDICT
    )


def _other(error: Exception) -> int:
    if type(error).__name__ == "NoArgsIsHelpError":
        # Our own lines and nothing of the user's: not to be escaped like what was typed.
        _write(f"{error}\n")
        return USAGE
    message = getattr(error, "format_message", None)
    if message is not None:
        return _wrong_usage(error, shown(message()))
    if type(error).__name__ in ("Exit", "Abort"):
        return int(getattr(error, "exit_code", STOPPED))
    frames = traceback.extract_tb(error.__traceback__)[-6:]
    where = [f"{os.path.basename(each.filename)}:{each.lineno} {each.name}" for each in frames]
    return _say(
        FaultError(
            f"this is a fault of the program: {type(error).__name__}: {shown(str(error))}",
            meaning=_NO_VERDICT,
            remedy="Please report it with these lines:\n  " + "\n  ".join(where),
        )
    )


def _wrong_usage(error: Exception, message: str) -> int:
    """Typer's own: the command line cannot be meant."""
    context = getattr(error, "ctx", None)
    if _is_json():
        return _say(UsageError(message, remedy=context.get_usage() if context else ""))
    usage = f"{context.get_usage()}\n" if context is not None else ""
    _write(f"{usage}{message}\n")
    return int(getattr(error, "exit_code", USAGE))


def _is_json() -> bool:
    return "--json" in sys.argv


def _say(error: OffloadError) -> int:
    """Tell an error; its exit code."""
    if _is_json():
        sys.stdout.write(json.dumps(as_json(error)) + "\n")
        sys.stdout.flush()
        return error.exit_code
    lines = [f"offload: {_first(error)}"]
    if error.meaning:
        lines.append(f"  {_sentence(error.meaning)}")
    if error.remedy:
        lines.append(f"  DO  {error.remedy}")
    _write("\n".join(lines) + "\n")
    return error.exit_code


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
