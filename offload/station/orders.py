"""What the station works by: the settings, and what follows from them; read anew when edited."""

import os
from collections.abc import Callable
from dataclasses import dataclass

from offload.errors import SettingsError
from offload.jobs.volume_kind import Looked
from offload.jobs.wishes import Wish
from offload.settings import Settings
from offload.values.facts import Policy


@dataclass(frozen=True, slots=True)
class Orders:
    """The settings in force.

    Attributes:
        settings: see there.
        policy: copies, separation, readings.
        look: what a volume at a mount point is; may hang where the device hangs.
        wish: one offload of the card at a mount point, under a name that a person gave or none.
        ejects: a card is unmounted as part of its clearance.
    """

    settings: Settings
    policy: Policy
    look: Callable[[bytes], Looked]
    wish: Callable[[bytes, str], Wish]
    ejects: bool = False


class OrderBook:
    """The orders in force; a wrong edit changes nothing.

    Args:
        read: reads the settings.

    Attributes:
        orders: in force.

    Raises:
        SettingsError: they are wrong from the beginning.
    """

    def __init__(self, read: Callable[[], Orders]) -> None:
        self._read = read
        self.orders = read()
        self._stamp = self._stamp_now()

    @property
    def path(self) -> bytes:
        """The settings file; empty where there is none."""
        return self.orders.settings.path

    def refresh(self) -> bool:
        """Read the settings anew where their file was edited; whether they are others now.

        Raises:
            SettingsError: they are wrong; told once for each edit.
        """
        stamp = self._stamp_now()
        if stamp == self._stamp:
            return False
        self._stamp = stamp
        before = self.orders
        self.orders = self._read()
        return self.orders.settings != before.settings

    def _stamp_now(self) -> tuple[int, ...]:
        if not self.path:
            return ()
        try:
            facts = os.stat(self.path)
        except OSError:
            # Editors replace a file; for a moment there is none.
            return self._stamp if hasattr(self, "_stamp") else ()
        return facts.st_ino, facts.st_size, facts.st_mtime_ns


__all__ = ["OrderBook", "Orders", "SettingsError"]
