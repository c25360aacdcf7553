"""The station's memory: an SQLite database, leases by the system's locks, and pulse files."""

from offload.ledger.database import Ledger

__all__ = ["Ledger"]
