-- Cards that must not be forgotten, the queue of the station, and clips.

-- proven_digest: the listing that a verdict last cleared; dismissed_digest: the one for which a
-- person said that the card needs no more care ('-' is no digest).
ALTER TABLE cards ADD COLUMN proven_digest TEXT NOT NULL DEFAULT '';
ALTER TABLE cards ADD COLUMN dismissed_digest TEXT NOT NULL DEFAULT '-';
UPDATE cards SET proven_digest = coalesce(
  (SELECT digest FROM offloads WHERE card = cards.id AND answer = 'cleared' ORDER BY id DESC LIMIT 1),
  '');
CREATE INDEX cards_unproven ON cards (last_seen_ns)
  WHERE (digest = '' OR digest <> proven_digest) AND digest <> dismissed_digest;

-- What the station has in line; one row for each volume that is in.
CREATE TABLE queue (
  mounting TEXT PRIMARY KEY,
  mount_point BLOB NOT NULL,
  label BLOB NOT NULL,
  card INTEGER REFERENCES cards,
  offload INTEGER REFERENCES offloads,
  stage TEXT NOT NULL,
  lane TEXT NOT NULL,
  why TEXT NOT NULL,
  drives TEXT NOT NULL,
  since_ns INTEGER NOT NULL
) STRICT;
CREATE INDEX queue_by_card ON queue (card);
CREATE INDEX queue_by_offload ON queue (offload);

-- Clips as they were found; about is a JSON document (see clips.py).
CREATE TABLE clips (
  id INTEGER PRIMARY KEY,
  roll INTEGER NOT NULL REFERENCES rolls,
  name TEXT NOT NULL,
  path BLOB NOT NULL,
  files INTEGER NOT NULL,
  bytes INTEGER NOT NULL,
  about TEXT NOT NULL,
  UNIQUE (roll, path)
) STRICT;
CREATE INDEX clips_by_name ON clips (name);
CREATE TABLE pictures (
  clip INTEGER PRIMARY KEY REFERENCES clips,
  width INTEGER NOT NULL,
  height INTEGER NOT NULL,
  jpeg BLOB NOT NULL
) STRICT;
