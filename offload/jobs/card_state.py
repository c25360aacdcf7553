"""What there is to say of the card's own file system, before a byte of it is read."""

from collections.abc import Iterator

from offload.jobs.opening import HeldCard
from offload.values.findings import Finding
from offload.volumes.dirty import Closing, read_state


def card_notices(card: HeldCard) -> list[Finding]:
    """Findings that keep nothing and that somebody should know of."""
    if card.is_folder:
        return []
    return [*_about_closing(card), *_about_stamps(card)]


def _about_closing(card: HeldCard) -> Iterator[Finding]:
    if read_state(card.volume).closing is Closing.NOT_CLEAN:
        text = (
            "the card was not unmounted cleanly, so the last recording may be missing from its "
            "listing; look in the camera, and let nothing repair it"
        )
        yield Finding("card-unclean", text)


def _about_stamps(card: HeldCard) -> Iterator[Finding]:
    """No write is ever issued to a card; some mounts stamp it all the same (decision 20)."""
    is_stamped = card.volume.updates_access_times and not card.volume.is_read_only
    is_kept = card.root.keeps_times and not card.volume.fs_type.startswith("fuse")
    if is_stamped and not is_kept:
        text = (
            "it is mounted such that mere reading stamps access times on it; a read-only mount "
            "leaves it untouched"
        )
        yield Finding("card-stamped", text)
