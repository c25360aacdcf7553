"""Filling the clearance's statement from what a run holds."""

from collections.abc import Mapping, Sequence

from offload.checksum import digest_text
from offload.clearance.origin import ManifestName
from offload.clearance.statement import CardName
from offload.jobs.copied import Recorded
from offload.jobs.opening import HeldCard
from offload.jobs.placing import Place
from offload.jobs.surroundings import Surroundings
from offload.record.keys import SigningKey
from offload.record.mhl.naming import HISTORY_FOLDER
from offload.values.paths import join


def card_name(card: HeldCard, surroundings: Surroundings) -> CardName:
    """The volume, by hints."""
    volume = card.volume
    return CardName(
        volume.label,
        "" if card.is_folder else volume.volume_id,
        volume.fs_type,
        volume.capacity_bytes,
        card.mounting.removeprefix(f"{surroundings.boot_id}:"),
        surroundings.boot_id,
    )


def manifests_of(recorded: Mapping[str, Recorded]) -> dict[str, ManifestName]:
    """The newest manifest of each copy."""
    return {
        name: ManifestName(join(HISTORY_FOLDER, each.manifest), each.manifest_c4)
        for name, each in recorded.items()
    }


def content_texts(roots: Mapping[str, bytes]) -> dict[str, str]:
    """Root hashes of the card's content in their standard text forms."""
    return {name: digest_text(name, digest) for name, digest in roots.items()}


def folders_of(places: Sequence[Place]) -> dict[str, bytes]:
    """Each copy's folder, relative to its drive's."""
    return {place.name: place.final for place in places}


def key_line(key: SigningKey, identity: str) -> str:
    """The public key's line, as it stands in the statement."""
    return key.public.line(identity)
