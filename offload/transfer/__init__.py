"""Getting the bytes off the card, onto the drives, and proving that they are there."""
