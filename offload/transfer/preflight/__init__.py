"""Everything that is looked at before the first byte, and said together."""
