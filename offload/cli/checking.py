"""Which of the three ways of checking a card answers, and with which drives."""

import os
from collections.abc import Sequence
from dataclasses import dataclass

from offload.cli.session import Session
from offload.cli.wishing import brief_of, wish_for_drives
from offload.errors import UsageError
from offload.jobs.known_copies import brought_drives, known_drives
from offload.jobs.listed_answer import check_listed
from offload.jobs.outcome import Outcome
from offload.jobs.tools import Tools
from offload.jobs.wishes import DriveWish
from offload.values.facts import CardState, Facts, Policy
from offload.values.paths import to_text
from offload.volumes.physical import is_system_disk


@dataclass(slots=True)
class Checker:
    """One check.

    Attributes:
        is_by_content: the answer came from looking for every file by content.
    """

    session: Session
    tools: Tools
    card: bytes
    policy: Policy
    is_by_content: bool = False

    def answer(self, folders: Sequence[bytes], *, always_read: bool) -> Outcome:
        """The answer: by a listing where that is enough, else by reading.

        Args:
            folders: where to look for copies; none leaves it to what is known of the card.
            always_read: a listing is not enough.

        Raises:
            UsageError: nothing is known of the card and there is nowhere to look.
        """
        if folders:
            # A folder that is given twice is searched once, and holds no more than one copy.
            places = [_place(path) for path in dict.fromkeys(map(os.path.abspath, folders))]
            return self._by_content(places, always_read=always_read)
        listed = None if always_read else check_listed(self.card, self.policy, self.tools)
        if listed is not None and listed.verdict.is_cleared:
            return listed
        brought = brought_drives(self.card, self.tools)
        if brought:
            return self._by_content(brought, always_read=always_read)
        known = self._read_anew() if always_read else listed
        return known or self._by_content(self._everywhere(), always_read=always_read)

    def _by_content(self, places: Sequence[DriveWish], *, always_read: bool) -> Outcome:
        # Imported here: most checks are answered by a listing, before these would be read in.
        from offload.jobs.by_content import check_by_content
        from offload.jobs.look_notices import Occasion

        self.is_by_content = True
        if not places:
            raise UsageError(
                "nothing is known of this card, and no other volume is mounted",
                path=self.card,
                meaning="Keep the card: nothing shows that its files are anywhere else.",
                remedy="Copy it:  offload copy\n"
                "  OR  name where copies lie:  offload check --in FOLDER",
            )
        settings = self.session.settings
        occasion = Occasion(brief=brief_of(settings)) if settings.clips.look else None
        return check_by_content(
            self.card,
            _unique(places),
            self.policy,
            self.tools,
            always_read=always_read,
            occasion=occasion,
        )

    def _read_anew(self) -> Outcome | None:
        from offload.jobs.offloading import offload_card

        drives = known_drives(self.card, self.tools)
        if drives is None:
            return None
        wishes, roll = drives
        wish = wish_for_drives(self.session, self.card, wishes, roll, only_prove=True)
        return offload_card(wish, self.tools)

    def _everywhere(self) -> list[DriveWish]:
        """Every mounted volume that a copy could lie on, but the system's own folders."""
        places = []
        for volume in self.session.surroundings.volumes():
            is_own = volume.mount_point == self.card or is_system_disk(volume)
            if not is_own and not volume.is_covered and volume.is_answering:
                places.append(_place(volume.mount_point))
        return places


def is_read(facts: Facts) -> bool:
    """Whether anything of the card was read for this answer, and not only listed."""
    return any(state != CardState.NOT_READ for state in facts.card_states)


def _place(path: bytes) -> DriveWish:
    label = path.rstrip(b"/").rpartition(b"/")[2] or path
    return DriveWish(to_text(label), path)


def _unique(places: Sequence[DriveWish]) -> tuple[DriveWish, ...]:
    names = [place.name for place in places]
    return tuple(
        place if names.count(place.name) == 1 else DriveWish(to_text(place.path), place.path)
        for place in places
    )
