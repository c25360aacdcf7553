"""The station: notices cards and drives, works through them, and says what became of each."""
