"""What the words of a verdict need beside its facts: how the card is called, and since when."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Context:
    """Names and times for sentences and commands. Nothing here decides anything.

    Attributes:
        roll: name of the roll; empty before one is given.
        code: card code; empty before the card has been read once.
        mount: mount point of the card, absolute, bytes; empty when it is not mounted.
        safe_at: when the words were last said of this very inventory, local time as shown
            (``14:32``); empty if never.
        reading_takes: how long a full reading will take, as shown (``about 6 minutes``); may be
            empty.
        is_kept: the ledger knows the card by roll and code, so that either can be typed.
    """

    roll: str = ""
    code: str = ""
    mount: bytes = b""
    safe_at: str = ""
    reading_takes: str = ""
    is_kept: bool = True

    @property
    def reference(self) -> bytes:
        """What to type for this card: its roll, else its code, else where it is mounted."""
        name = (self.roll or self.code) if self.is_kept or not self.mount else ""
        return name.encode("utf-8", "surrogateescape") if name else self.mount
