"""What the station says of volumes, in one place: plain sentences, and what to type."""

from dataclasses import dataclass

from offload.ledger.queue import Stage
from offload.volumes.volume import Volume


@dataclass(frozen=True, slots=True)
class Words:
    """What is said of a volume.

    Attributes:
        short: a phrase for a line of a list.
        text: a sentence or two.
        command: what to type, raw words; empty where nothing helps.
    """

    short: str
    text: str
    command: tuple[bytes, ...] = ()


def of_volume(kind: str, volume: Volume, problem: str) -> Words:
    """A volume that is not worked on as a card, and what can be done about it.

    Args:
        kind: as in :class:`~offload.station.events.Recognised`.
        problem: what cannot be listed and why, a clause; empty else.
    """
    as_card = (b"offload", b"copy", volume.mount_point)
    match kind:
        case "unknown":
            return Words(
                "not known as a card",
                "No camera or recorder that is known here writes such a volume. "
                "If it is a card all the same, this treats it as one:",
                as_card,
            )
        case "delivery":
            return Words(
                "a delivery",
                "A drive with somebody's records on it: no card, so no card words are said of it. "
                "This checks it against them while it is copied to the drives:",
                (b"offload", b"receive", volume.mount_point),
            )
        case "taken-delivery":
            return Words(
                "a delivery",
                "A drive with somebody's records on it. It is checked against them while it is "
                "copied to the drives; nothing is written on it.",
            )
        case "drive":
            return Words(
                "a drive that the settings do not name",
                "Copies were written to this drive, and the settings do not name it. "
                "This takes it into use:",
                (b"offload", b"drive", b"add", b"NAME", volume.mount_point),
            )
        case "restless":
            return Words(
                "something keeps writing to it; not begun",
                "KEEP IT. Something keeps writing to it, so it was not begun with. It is copied by "
                "itself once that has ended. If that never ends, this copies it as it is:",
                as_card,
            )
        case "empty":
            return Words(
                "nothing on it",
                "There is nothing on it: no file, so nothing to copy and nothing to prove.",
            )
        case _:
            return Words(
                "cannot be listed",
                f"KEEP IT. {problem[:1].upper()}{problem[1:]}. Nothing is known of what is on it. "
                "Clean the contacts and try another reader; then, if it can be read:",
                as_card,
            )


def of_leaving(
    called: str, *, was_safe: bool, was_listed_safe: bool = False, stage: Stage | None = None
) -> str:
    """A card has left the reader.

    Args:
        was_safe: it was cleared while it was there.
        was_listed_safe: it was only listed, as when it was cleared earlier.
        stage: where it was then; None where nobody was looking.
    """
    if was_safe:
        return f"{called} has left. It was safe when it left, as it was listed then."
    if was_listed_safe:
        return (
            f"{called} has left. It was listed as when it was safe, and not read this time. "
            "Before it is erased, put it back and ask:  offload check --read"
        )
    if stage is None:
        return (
            f"{called} IS OUT AND NOT PROVEN. DO NOT ERASE IT. "
            "Put it back: the work goes on from there."
        )
    if stage is Stage.WORKING:
        how = "while it was being copied"
    elif stage is Stage.DONE:
        how = "and is held"
    else:
        how = "before it was copied"
    return (
        f"{called} HAS LEFT THE READER AND IS NOT PROVEN: it was taken out {how}. "
        "DO NOT ERASE IT. Put it back: the work goes on from there."
    )


def of_delivery_leaving(called: str) -> str:
    """A delivery was taken out while it was being received, or before."""
    return (
        f"{called} has left before all of it was copied and proven. Put it back: the work goes on "
        "from there."
    )
