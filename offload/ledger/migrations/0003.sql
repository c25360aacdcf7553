-- Whether a card was touched since a verdict, without a clock.

-- card_moment: the checksum over names and times that the last look found; '' for none.
ALTER TABLE offloads ADD COLUMN card_moment TEXT NOT NULL DEFAULT '';
