"""What everything here speaks in: frozen values that know no disk, no screen and no clock."""
